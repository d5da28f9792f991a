import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { builtProgram } from '../support/program.ts';

/** What a module of the built program imports before any of it runs. */
const importsOf = (path: string): string[] =>
  [...readFileSync(path, 'utf8').matchAll(/^(?:import|export)\b[^'"]*["']([^"'\n]+)["'];?$/gm)].map(
    ([, name]) => name!,
  );

/** Modules that are loaded with an entry of the built program, by name; those of Node left out. */
function loadedWith(folder: string, entry: string): Set<string> {
  const loaded = new Set<string>();
  const follow = (name: string): void => {
    if (loaded.has(name) || name.startsWith('node:')) return;
    loaded.add(name);
    if (name.startsWith('./')) importsOf(join(folder, name)).forEach(follow);
  };
  follow(`./${entry}`);
  return loaded;
}

// Each package costs every command its time: 60 ms of processor time for the one that checks mapping files, 25 for threads.
test.each(['main.js', 'worker.js'])('%s loads no package before it knows what is asked of it', async (entry) => {
  const loaded = [...loadedWith(await builtProgram(), entry)];
  expect(loaded).toContain('./errors.js');
  expect(loaded.filter((name) => !name.startsWith('./'))).toEqual([]);
});
