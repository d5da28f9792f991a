/** Writes the command section of the README and docs/commands.md from the commands themselves: `npm run docs`. */
import { mkdirSync, writeFileSync } from 'node:fs';
import { commandPage, readmeWithCommands, readRoot } from '../support/command-docs.ts';

const root = new URL('../../', import.meta.url);
mkdirSync(new URL('docs/', root), { recursive: true });
writeFileSync(new URL('README.md', root), readmeWithCommands(readRoot('README.md')));
writeFileSync(new URL('docs/commands.md', root), commandPage());
