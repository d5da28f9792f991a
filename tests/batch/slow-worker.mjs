// A program that takes its time to load, and says when it is done.
import { appendFileSync } from 'node:fs';

const end = Date.now() + 300;
while (Date.now() < end);
appendFileSync(process.env.RIGPROOF_TEST_TALLY, 'x');

export default () => null;
