import { parseContainer } from '../../src/index.ts';

/**
 * Largest difference between the numbers of two files of one kind: 0 when they are equal byte for byte, infinite when
 * they differ in anything but numbers. Two engines may round a sine differently in its last digit.
 */
export function largestDifference(a: Uint8Array, b: Uint8Array): number {
  if (Buffer.compare(a, b) === 0) return 0;
  const isGlb = Buffer.from(a.subarray(0, 4)).toString() === 'glTF';
  return isGlb ? betweenGlbs(a, b) : betweenTexts(a, b);
}

function betweenGlbs(a: Uint8Array, b: Uint8Array): number {
  const one = parseContainer(a, 'a.glb');
  const other = parseContainer(b, 'b.glb');
  if (one.jsonText !== other.jsonText || one.buffers.length !== other.buffers.length) return Number.POSITIVE_INFINITY;
  return Math.max(
    ...one.buffers.map((bytes, i) => {
      const its = other.buffers[i]!;
      if (bytes.length !== its.length) return Number.POSITIVE_INFINITY;
      const [x, y] = [bytes, its].map((part) => new Float32Array(new Uint8Array(part).buffer));
      return largest(x!, y!);
    }),
  );
}

function betweenTexts(a: Uint8Array, b: Uint8Array): number {
  const [one, other] = [a, b].map((bytes) => new TextDecoder().decode(bytes).split(/\s+/));
  if (one!.length !== other!.length) return Number.POSITIVE_INFINITY;
  if (one!.some((word, i) => Number.isNaN(Number(word)) && word !== other![i])) return Number.POSITIVE_INFINITY;
  return largest(one!.map(Number), other!.map(Number));
}

function largest(a: ArrayLike<number>, b: ArrayLike<number>): number {
  let most = 0;
  for (let i = 0; i < a.length; i++) {
    const difference = Math.abs(a[i]! - b[i]!);
    if (difference > most) most = difference;
  }
  return most;
}
