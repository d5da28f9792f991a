import { mkdtempSync } from 'node:fs';
import { rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll } from 'vitest';

/** A folder for the tests of one file. It is removed afterwards. */
export function scratchFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), 'rigproof-'));
  afterAll(() => rm(folder, { recursive: true, force: true }));
  return folder;
}
