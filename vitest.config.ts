import { defineConfig } from 'vitest/config';

/** Tests that start processes, threads or a browser: each of them has both cores to itself. */
const PROCESSES = ['tests/{batch,cli,e2e}/**/*.test.ts'];

export default defineConfig({
  test: {
    testTimeout: 60_000,
    hookTimeout: 120_000,
    projects: [
      {
        extends: true,
        test: {
          name: 'library',
          include: ['tests/**/*.test.ts'],
          exclude: PROCESSES,
          benchmark: { include: ['tests/bench/**/*.bench.ts'] },
          maxWorkers: 2,
          sequence: { groupOrder: 0 },
        },
      },
      {
        extends: true,
        test: {
          name: 'processes',
          include: PROCESSES,
          benchmark: { include: [] },
          maxWorkers: 1,
          sequence: { groupOrder: 1 },
        },
      },
    ],
  },
});
