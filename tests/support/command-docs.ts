import { readFileSync } from 'node:fs';
import type { Command } from 'commander';
import { createProgram } from '../../src/cli/program.ts';

/** Columns of a help text in the docs. */
const WIDTH = 100;

const START = '<!-- commands: written by `npm run docs` -->';
const END = '<!-- /commands -->';

function helpOf(command: Command): string {
  let text = '';
  command.configureOutput({
    writeOut: (part) => (text += part),
    getOutHelpWidth: () => WIDTH,
    getOutHasColors: () => false,
  });
  command.outputHelp();
  return `\`\`\`\n${text.trimEnd()}\n\`\`\``;
}

/** What `rigproof --help` and every `rigproof COMMAND --help` print, as a page. */
export function commandPage(): string {
  const program = createProgram();
  const sections = program.commands.map((command) => `## rigproof ${command.name()}\n\n${helpOf(command)}`);
  return `# Commands\n\nWritten by \`npm run docs\` from the commands themselves.\n\n${sections.join('\n\n')}\n`;
}

/** The README with its command section as it should be. */
export function readmeWithCommands(readme: string): string {
  const start = readme.indexOf(START) + START.length;
  const end = readme.indexOf(END);
  return `${readme.slice(0, start)}\n${helpOf(createProgram())}\n\nEvery option of each: [docs/commands.md](docs/commands.md).\n${readme.slice(end)}`;
}

export function readRoot(name: string): string {
  return readFileSync(new URL(`../../${name}`, import.meta.url), 'utf8');
}
