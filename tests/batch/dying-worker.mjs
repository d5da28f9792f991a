/** A worker whose thread ends at a task, as when it is out of memory: `deaths` times, counted in the file `tally`. */
import { appendFileSync, readFileSync } from 'node:fs';

export default function work({ tally, deaths }) {
  appendFileSync(tally, 'x');
  const tries = readFileSync(tally, 'utf8').length;
  if (tries <= deaths) process.exit(7);
  return tries;
}
