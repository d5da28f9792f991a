import { defineConfig, type Plugin } from 'vite';
import { makeSamples } from './samples/make.ts';

/** The sample scenario as files beside the app, so that it can be tried without any file at hand. */
function samples(): Plugin {
  const wanted = (name: string) => /\.(glb|bvh)$/.test(name);
  return {
    name: 'samples',
    async generateBundle() {
      for (const [name, source] of await makeSamples()) {
        if (wanted(name)) this.emitFile({ type: 'asset', fileName: `samples/${name}`, source });
      }
    },
    configureServer({ middlewares }) {
      const files = makeSamples();
      middlewares.use('/samples', async (request, response, next) => {
        const bytes = (await files).get((request.url ?? '').slice(1));
        if (bytes) response.end(bytes);
        else next();
      });
    },
  };
}

export default defineConfig({
  root: 'web',
  // Relative, so that the app works below any path of any static host.
  base: './',
  plugins: [samples()],
  worker: { format: 'es' },
  build: {
    outDir: '../dist/web',
    emptyOutDir: true,
    target: 'es2022',
    assetsInlineLimit: 0,
    chunkSizeWarningLimit: 1200,
  },
});
