import type { PointMotion, PointSet } from './motion.ts';

/** Slower than this, as leg lengths a second, the ground is taken to stand still. */
const SLOWEST_BELT = 0.25;
/** Velocities this near to the belt's belong to it: as a share of its speed. */
const SPREAD = 0.12;
/** So much of the time in which a foot is low and level it has to move with the belt, and at most so much be still. */
const BELT_SHARE = 0.4;
const STILL_SHARE = 0.15;
/** Frames looked at: this many at most, evenly spread. */
const FRAMES_MAX = 300;

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
  const left = densest(lowVelocities(points, motions, 0, legLength), legLength);
  if (!left) return null;
  const right = densest(lowVelocities(points, motions, 2, legLength), legLength);
  if (!right) return null;
  const x = (left.x + right.x) / 2;
  const z = (left.z + right.z) / 2;
  const speed = Math.hypot(x, z);
  if (speed < SLOWEST_BELT * legLength) return null;
  if (Math.hypot(left.x - right.x, left.z - right.z) > SPREAD * speed) return null;
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

/** Horizontal velocities, x and z in turn, of heel and ball of one foot in sampled frames in which they are low and level. */
function lowVelocities(
  points: PointSet,
  motions: readonly PointMotion[],
  heel: 0 | 2,
  legLength: number,
): Float64Array {
  const frameCount = points[0].length / 3;
  const step = Math.max(1, Math.floor(frameCount / FRAMES_MAX));
  const velocities = new Float64Array(4 * (Math.ceil(frameCount / step) + 1));
  let count = 0;
  for (let p = heel; p < heel + 2; p++) {
    const point = points[p]!;
    const { velocity } = motions[p]!;
    let lowest = Number.POSITIVE_INFINITY;
    for (let at = 1; at < point.length; at += 3 * step) if (point[at]! < lowest) lowest = point[at]!;
    const top = lowest + 0.05 * legLength;
    for (let at = 0; at < point.length; at += 3 * step) {
      if (point[at + 1]! > top || Math.abs(velocity[at + 1]!) > 0.1 * legLength) continue;
      velocities[count++] = velocity[at]!;
      velocities[count++] = velocity[at + 2]!;
    }
  }
  return velocities.subarray(0, count);
}

/** The densest place among velocities, as the mean of those near it; null where most feet do not move with it. */
function densest(velocities: Float64Array, legLength: number): { x: number; z: number } | null {
  const count = velocities.length / 2;
  if (count < 8) return null;
  // Over ground, a low foot is still more often than not: settled before anything is searched.
  if (near(velocities, 0, 0, 0.5 * SLOWEST_BELT * legLength).count > STILL_SHARE * count) return null;
  const radiusAt = (x: number, z: number) => Math.max(0.05 * legLength, SPREAD * Math.hypot(x, z));
  let [x, z, most] = [0, 0, 0];
  for (let i = 0; i < count; i += Math.max(1, count >> 5)) {
    const [vx, vz] = [velocities[i * 2]!, velocities[i * 2 + 1]!];
    const crowd = near(velocities, vx, vz, radiusAt(vx, vz)).count;
    if (crowd > most) [x, z, most] = [vx, vz, crowd];
  }
  // Feet that are on their way up or down are near, but to one side: the circle closes in on the middle of the crowd.
  for (const share of [1, 0.7, 0.5, 0.35]) {
    const inside = near(velocities, x, z, share * radiusAt(x, z));
    if (inside.count > 0) [x, z] = [inside.x / inside.count, inside.z / inside.count];
  }
  return near(velocities, x, z, radiusAt(x, z)).count < BELT_SHARE * count ? null : { x, z };
}

/** How many velocities lie in a circle, and their sums. */
function near(velocities: Float64Array, x: number, z: number, radius: number) {
  const inside = { count: 0, x: 0, z: 0 };
  for (let i = 0; i < velocities.length; i += 2) {
    const dx = velocities[i]! - x;
    const dz = velocities[i + 1]! - z;
    if (dx * dx + dz * dz >= radius * radius) continue;
    inside.count++;
    inside.x += velocities[i]!;
    inside.z += velocities[i + 1]!;
  }
  return inside;
}
