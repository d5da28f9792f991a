/**
 * Compiles the kernels to WebAssembly and puts each, as text, into the module that runs it:
 *
 *   npm run build:kernels
 *
 * The results are committed, so that sources run as they stand, in tests and in the browser; a test compiles them again
 * and compares. The optimiser matters: -O2 leaves calls in the inner loops, which run at half the speed.
 */
import { readFileSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import asc from 'assemblyscript/asc';

export const KERNELS = [
  { source: 'src/kernels/bvh-frames.ts', target: 'src/formats/bvh/kernel-code.ts' },
  { source: 'src/kernels/frame-loop.ts', target: 'src/retarget/frame-kernel-code.ts' },
  { source: 'src/kernels/animation-keys.ts', target: 'src/formats/gltf/key-kernel-code.ts' },
] as const;
const OPTIONS = ['-O3', '--runtime', 'stub', '--noAssert', '--enable', 'simd'];
const ROOT = new URL('../../', import.meta.url);

/** The text of the module that holds what a source compiles to. */
export async function compileKernel(source: string): Promise<string> {
  let code: Uint8Array | null = null;
  const { error, stderr } = await asc.main([source, ...OPTIONS, '--outFile', 'kernel.wasm'], {
    readFile: (name) => {
      try {
        return readFileSync(new URL(name, ROOT), 'utf8');
      } catch {
        return null;
      }
    },
    writeFile: (_name, contents) => {
      code = contents as Uint8Array;
    },
    listFiles: () => [],
  });
  if (error || code === null) throw new Error(`${source} does not compile: ${stderr.toString()}`);
  const lines = Buffer.from(code)
    .toString('base64')
    .match(/.{1,110}/g)!;
  return [
    `// Made from ${source} by \`npm run build:kernels\`; not to be edited.`,
    '/** A WebAssembly module, in base64. */',
    'export const KERNEL_CODE = `',
    ...lines,
    '`;',
    '',
  ].join('\n');
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  for (const { source, target } of KERNELS) writeFileSync(new URL(target, ROOT), await compileKernel(source));
}
