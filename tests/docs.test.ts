import { describe, expect, it } from 'vitest';
import { commandPage, readmeWithCommands, readRoot } from './support/command-docs.ts';

describe('the docs say what the commands say (npm run docs writes them)', () => {
  it('shows the commands in the README', () => {
    const readme = readRoot('README.md');
    expect(readme).toBe(readmeWithCommands(readme));
  });

  it('shows every option in docs/commands.md', () => {
    expect(readRoot('docs/commands.md')).toBe(commandPage());
  });

  it('opens the README with one paragraph that states the job', () => {
    const [title, , paragraph, blank] = readRoot('README.md').split('\n');
    expect(title).toBe('# rigproof');
    expect(paragraph!.length).toBeGreaterThan(200);
    expect(blank).toBe('');
  });
});
