import { join } from 'node:path';
import { build } from 'vite';

const ROOT = join(import.meta.dirname, '../..');

/**
 * Bundles `tests/<folder>/<name>.ts` with all it imports into `dist/<folder>/<name>.mjs`, as deep below the project as its
 * source, so that paths to shared data hold. Returns its path.
 */
export async function bundle(folder: string, name: string): Promise<string> {
  const outDir = join(ROOT, 'dist', folder);
  await build({
    root: ROOT,
    configFile: false,
    logLevel: 'error',
    publicDir: false,
    ssr: { noExternal: true },
    build: {
      ssr: join(ROOT, `tests/${folder}/${name}.ts`),
      outDir,
      emptyOutDir: false,
      minify: false,
      target: 'node20',
      rollupOptions: { output: { format: 'es', entryFileNames: `${name}.mjs`, inlineDynamicImports: true } },
    },
  });
  return join(outDir, `${name}.mjs`);
}
