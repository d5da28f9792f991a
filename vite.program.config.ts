import { defineConfig } from 'vite';

/**
 * The command line and its worker threads in a few files beside each other, with what they need from the start: half of
 * what a command took to begin was looking for some two hundred files and two libraries. All other packages stay where
 * they are and are loaded when they are needed.
 */
export default defineConfig({
  ssr: { noExternal: ['commander', 'ml-matrix'] },
  build: {
    ssr: true,
    outDir: 'dist/cli',
    emptyOutDir: true,
    target: 'node20',
    minify: false,
    rollupOptions: {
      input: { main: 'src/cli/main.ts', worker: 'src/batch/worker.ts' },
      output: { entryFileNames: '[name].js', chunkFileNames: '[name].js' },
    },
  },
});
