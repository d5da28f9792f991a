/**
 * Reading BVH: against three's BVHLoader, which is given text that is decoded already. Files made from a seed, and the
 * real ones where they are. Prints a table; run it alone with `npx vitest bench --run tests/bench/bvh.bench.ts`.
 */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { BVHLoader } from 'three/addons/loaders/BVHLoader.js';
import { bench } from 'vitest';
import { createBvhReader, parseBvh } from '../../src/formats/bvh/index.ts';
import { machine, measure, table } from './measure.ts';

const FOLDERS = ['bvh', 'bvh-library'].map((name) => new URL(`../../../shared/data/${name}/`, import.meta.url));
/** Clips of one skeleton: one of them stands for the library. */
const LIBRARY_CLIP = 'salsa_01.bvh';
/** What a stream brings at once. */
const CHUNK_BYTES = 64 * 1024;
const MEGABYTE = 1e6;

/** A walk of a chain: smooth angles with the decimals given, the same for the same seed. */
function seededClip(decimals: number, frames: number, joints: number): string {
  let state = 1;
  const random = () => {
    state = (state * 48271) % 2147483647;
    return state / 2147483647;
  };
  const lines = ['HIERARCHY'];
  for (let j = 0; j < joints; j++) {
    lines.push(j === 0 ? 'ROOT joint0' : `JOINT joint${j}`, '{', 'OFFSET 0 10 0');
    lines.push(
      j === 0
        ? 'CHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation'
        : 'CHANNELS 3 Zrotation Xrotation Yrotation',
    );
  }
  lines.push('End Site', '{', 'OFFSET 0 10 0', '}', ...Array<string>(joints).fill('}'));
  lines.push('MOTION', `Frames: ${frames}`, 'Frame Time: 0.0083333');
  const waves = Array.from({ length: joints * 3 + 3 }, () => ({
    size: 5 + 60 * random(),
    speed: 0.01 + 0.05 * random(),
    start: 6 * random(),
  }));
  for (let f = 0; f < frames; f++) {
    lines.push(waves.map(({ size, speed, start }) => (size * Math.sin(start + speed * f)).toFixed(decimals)).join(' '));
  }
  return `${lines.join('\n')}\n`;
}

function inputs(): { name: string; bytes: Uint8Array }[] {
  const made = [2, 4, 6, 12].map((decimals) => ({
    name: `seeded, ${decimals} decimals`,
    bytes: new TextEncoder().encode(seededClip(decimals, 1200, 30)),
  }));
  const real = FOLDERS.filter((folder) => existsSync(folder)).flatMap((folder) =>
    readdirSync(folder)
      .filter((file) => file.endsWith('.bvh') && (folder === FOLDERS[0] || file === LIBRARY_CLIP))
      .map((file) => ({ name: file, bytes: new Uint8Array(readFileSync(new URL(file, folder))) })),
  );
  return [...made, ...real];
}

/** A number that depends on every rotation. */
function checksum(rotations: Float32Array): number {
  return rotations[0]! + rotations[rotations.length >> 1]! + rotations[rotations.length - 1]!;
}

function readInChunks(bytes: Uint8Array): number {
  const reader = createBvhReader('bench.bvh');
  for (let at = 0; at < bytes.length; at += CHUNK_BYTES) reader.push(bytes.subarray(at, at + CHUNK_BYTES));
  return checksum(reader.finish().takes[0]!.clip.rotations);
}

async function report(): Promise<string> {
  const rows: string[][] = [];
  const loader = new BVHLoader();
  let total = 0;
  const sums = { three: [0, 0], whole: [0, 0] };
  for (const { name, bytes } of inputs()) {
    const text = new TextDecoder().decode(bytes);
    const { clip } = parseBvh(bytes, name).takes[0]!;
    const measured = await measure(
      [
        { name: 'three', work: () => loader.parse(text).clip.tracks[1]!.values[0]! },
        { name: 'parseBvh', work: () => checksum(parseBvh(bytes, name).takes[0]!.clip.rotations) },
        { name: 'chunks', work: () => readInChunks(bytes) },
      ],
      11,
      4,
    );
    const [three, whole, chunks] = measured as [(typeof measured)[0], (typeof measured)[0], (typeof measured)[0]];
    const speed = (ms: number) => (bytes.length / MEGABYTE / (ms / 1000)).toFixed(0);
    total += bytes.length;
    [three, whole].forEach(({ median, min }, i) => {
      const sum = i === 0 ? sums.three : sums.whole;
      sum[0]! += median;
      sum[1]! += min;
    });
    rows.push([
      name,
      (bytes.length / MEGABYTE).toFixed(2),
      `${clip.frameCount} x ${clip.jointCount}`,
      `${three.median.toFixed(1)} (${three.min.toFixed(1)}, ${three.sd.toFixed(1)})`,
      `${whole.median.toFixed(2)} (${whole.min.toFixed(2)}, ${whole.sd.toFixed(2)})`,
      `${(three.median / whole.median).toFixed(1)}x, ${(three.min / whole.min).toFixed(1)}x`,
      `${speed(whole.median)}, ${speed(whole.min)}`,
      `${speed(chunks.median)}, ${speed(chunks.min)}`,
    ]);
  }
  const [three, whole] = [sums.three, sums.whole];
  rows.push([
    'all',
    (total / MEGABYTE).toFixed(2),
    '',
    `${three[0]!.toFixed(1)} (${three[1]!.toFixed(1)})`,
    `${whole[0]!.toFixed(2)} (${whole[1]!.toFixed(2)})`,
    `${(three[0]! / whole[0]!).toFixed(1)}x, ${(three[1]! / whole[1]!).toFixed(1)}x`,
    `${(total / 1000 / whole[0]!).toFixed(0)}, ${(total / 1000 / whole[1]!).toFixed(0)}`,
    '',
  ]);
  const head = [
    'file',
    'MB',
    'frames x joints',
    'three ms: median (min, sd)',
    'parseBvh ms',
    'ratio, of minima',
    'MB/s, of minima',
    'in 64 kB chunks',
  ];
  return `reading BVH; ${machine()}\n${table(head, rows)}`;
}

bench(
  "reading BVH beside three's BVHLoader",
  async () => {
    process.stdout.write(`\n${await report()}\n`);
  },
  { iterations: 1, time: 0, warmupIterations: 0, warmupTime: 0 },
);
