import { oncePerKey } from '../skeleton/once-per.ts';
import type { LimbName } from './build.ts';
import { arrayFor } from './joint-paths.ts';
import { pathOf, type Track } from './track.ts';

const DEGREES = 180 / Math.PI;

/**
 * How a limb bends in each frame: the angle in degrees, the unit direction in which the knee or elbow stands out of the
 * line from root to end, and that line. World space. A straight limb has angle 0 and no direction (zeros).
 */
export interface Bends {
  degrees: Float64Array;
  directions: Float64Array;
  lines: Float64Array;
}

/** Null where the figure has no such limb. */
export const bendsOf = oncePerKey((track: Track, name: LimbName): Bends | null => {
  const limb = track.limbs[name];
  if (!limb) return null;
  const { frameCount, paths } = track;
  const bends = {
    degrees: arrayFor(paths, frameCount),
    directions: arrayFor(paths, frameCount * 3),
    lines: arrayFor(paths, frameCount * 3),
  };
  bend(
    bends.degrees,
    bends.directions,
    bends.lines,
    pathOf(track, limb.root),
    pathOf(track, limb.middle),
    pathOf(track, limb.end),
  );
  return bends;
});

function bend(
  degrees: Float64Array,
  directions: Float64Array,
  lines: Float64Array,
  root: Float64Array,
  middle: Float64Array,
  end: Float64Array,
): void {
  for (let f = 0, i = 0; f < degrees.length; f++, i += 3) {
    const ux = middle[i]! - root[i]!;
    const uy = middle[i + 1]! - root[i + 1]!;
    const uz = middle[i + 2]! - root[i + 2]!;
    const vx = end[i]! - middle[i]!;
    const vy = end[i + 1]! - middle[i + 1]!;
    const vz = end[i + 2]! - middle[i + 2]!;
    const lx = end[i]! - root[i]!;
    const ly = end[i + 1]! - root[i + 1]!;
    const lz = end[i + 2]! - root[i + 2]!;
    const nx = uy * vz - uz * vy;
    const ny = uz * vx - ux * vz;
    const nz = ux * vy - uy * vx;
    degrees[f] = Math.atan2(Math.sqrt(nx * nx + ny * ny + nz * nz), ux * vx + uy * vy + uz * vz) * DEGREES;
    const square = lx * lx + ly * ly + lz * lz;
    const along = square > 0 ? (ux * lx + uy * ly + uz * lz) / square : 0;
    const dx = ux - along * lx;
    const dy = uy - along * ly;
    const dz = uz - along * lz;
    const length = Math.sqrt(dx * dx + dy * dy + dz * dz);
    const k = length > 0 ? 1 / length : 0;
    directions[i] = dx * k;
    directions[i + 1] = dy * k;
    directions[i + 2] = dz * k;
    lines[i] = lx;
    lines[i + 1] = ly;
    lines[i + 2] = lz;
  }
}
