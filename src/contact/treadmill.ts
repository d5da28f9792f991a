import { type PointMotion, type PointSet, SAMPLES_MAX } from './motion.ts';

/** Slower than this, as leg lengths a second, the ground is taken to stand still. */
const SLOWEST_BELT = 0.25;
/** Velocities this near to the belt's belong to it: as a share of its speed. */
const SPREAD = 0.12;
/** So much of the time in which a foot is low and level it has to move with the belt, and at most so much be still. */
const BELT_SHARE = 0.4;
const STILL_SHARE = 0.15;

/**
 * The velocity of the ground, [x, y, z] m/s, where the clip shows clearly that it moves: a treadmill. Both feet, when
 * they are low, share one horizontal velocity; hardly ever is a low foot still; and the body stays where it is although
 * that velocity would have carried it away (on skates it would be carried). Null where that is not clear.
 */
export function estimateGroundVelocity(
  points: PointSet,
  motions: readonly PointMotion[],
  fps: number,
  legLength: number,
): [number, number, number] | null {
  const frameCount = points[0].length / 3;
  const duration = (frameCount - 1) / fps;
  if (duration < 1) return null;
  const step = Math.max(1, Math.floor(frameCount / SAMPLES_MAX));
  // Low and level samples of each foot: x velocity, z velocity, for both points.
  const lows: [number, number][][] = [[], []];
  for (let p = 0; p < 4; p++) {
    const point = points[p]!;
    const { velocity } = motions[p]!;
    let lowest = Number.POSITIVE_INFINITY;
    for (let f = 0; f < frameCount; f += step) lowest = Math.min(lowest, point[f * 3 + 1]!);
    for (let f = 0; f < frameCount; f += step) {
      if (point[f * 3 + 1]! > lowest + 0.05 * legLength) continue;
      if (Math.abs(velocity[f * 3 + 1]!) > 0.1 * legLength) continue;
      lows[p >> 1]!.push([velocity[f * 3]!, velocity[f * 3 + 2]!]);
    }
  }
  const left = densest(lows[0]!, legLength);
  const right = densest(lows[1]!, legLength);
  if (!left || !right) return null;
  const x = (left.x + right.x) / 2;
  const z = (left.z + right.z) / 2;
  const speed = Math.hypot(x, z);
  if (speed < SLOWEST_BELT * legLength) return null;
  if (Math.hypot(left.x - right.x, left.z - right.z) > SPREAD * speed) return null;
  for (const { share, still } of [left, right]) if (share < BELT_SHARE || still > STILL_SHARE) return null;
  // How far the feet got, against how far the ground went.
  const end = (frameCount - 1) * 3;
  let dx = 0;
  let dz = 0;
  for (const point of points) {
    dx += (point[end]! - point[0]!) / 4;
    dz += (point[end + 2]! - point[2]!) / 4;
  }
  if (Math.hypot(dx, dz) > 0.5 * speed * duration) return null;
  return [x, 0, z];
}

/** The densest place among velocities, as the mean of those near it; its share, and the share of those near zero. */
function densest(samples: [number, number][], legLength: number) {
  if (samples.length < 8) return null;
  let best = -1;
  let bestCount = 0;
  for (let i = 0; i < samples.length; i += Math.max(1, samples.length >> 6)) {
    const count = near(samples, samples[i]![0], samples[i]![1], legLength).length;
    if (count > bestCount) {
      best = i;
      bestCount = count;
    }
  }
  let [x, z] = samples[best]!;
  // Feet that are on their way up or down are near, but to one side: the circle closes in on the middle of the crowd.
  for (const share of [1, 0.7, 0.5, 0.35]) {
    const inside = near(samples, x, z, legLength, share);
    if (inside.length === 0) break;
    x = inside.reduce((sum, s) => sum + s[0], 0) / inside.length;
    z = inside.reduce((sum, s) => sum + s[1], 0) / inside.length;
  }
  const still = samples.filter((s) => Math.hypot(s[0], s[1]) < 0.5 * SLOWEST_BELT * legLength).length / samples.length;
  return { x, z, share: near(samples, x, z, legLength).length / samples.length, still };
}

function near(samples: [number, number][], x: number, z: number, legLength: number, share = 1): [number, number][] {
  const radius = share * Math.max(0.05 * legLength, SPREAD * Math.hypot(x, z));
  return samples.filter((s) => Math.hypot(s[0] - x, s[1] - z) < radius);
}
