const PAGE = 65536;

/**
 * Starts a module that is given in base64; null where WebAssembly may not be compiled.
 * @param imports  functions that it takes from here
 */
export function startModule(base64: string, imports: WebAssembly.Imports = {}): WebAssembly.Exports | null {
  try {
    const code = Uint8Array.from(atob(base64), (character) => character.charCodeAt(0));
    return new WebAssembly.Instance(new WebAssembly.Module(code), imports).exports;
  } catch {
    return null;
  }
}

/** Makes a memory at least that large; its views are lost when it grows. */
export function growTo(memory: WebAssembly.Memory, bytes: number): void {
  const missing = Math.ceil((bytes - memory.buffer.byteLength) / PAGE);
  if (missing > 0) memory.grow(missing);
}

/** The next multiple of sixteen, what a vector is aligned to. */
export function align16(address: number): number {
  return Math.ceil(address / 16) * 16;
}
