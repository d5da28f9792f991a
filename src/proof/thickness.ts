import type { Role } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { type Build, hipSpan, restVertices } from './build.ts';

/**
 * How thick a person is, as shares of standing height: length of a hand (Drillis & Contini 1966, as printed in Winter,
 * Biomechanics and Motor Control of Human Movement; value from memory), half the mean of head breadth and length (common
 * anthropometry, no source), and the leg, thigh and shin (Drillis & Contini, as above).
 */
const PERSON = { hand: 0.108, head: 0.05, leg: 0.491 } as const;
/** So many of the vertices lie within: of a hand all but stray ones, of a head without what stands off it. */
const WITHIN = { hand: 0.98, head: 0.8 } as const;
const ENOUGH_VERTICES = 12;

/**
 * How much thicker the target is than the source where two joints touch, at least 1: wrists of larger hands, and a wrist on
 * a larger head or wider hips, are farther apart in the same touch. Each as a share of its own leg.
 */
export function thicknessRatio(target: Build, source: Build, a: Role, b: Role): number {
  if (b === 'hips') return Math.max(1, hipWidth(target) / hipWidth(source) || 1);
  const part = /Hand$/.test(b) ? 'hand' : b === 'head' ? 'head' : null;
  if (part === null) return 1;
  const size = (build: Build): number =>
    part === 'hand' ? (partSize(build, a) + partSize(build, b)) / 2 : partSize(build, b);
  return Math.max(1, size(target) / size(source));
}

/** Half the distance of the hip joints and half a thigh, in leg lengths; NaN without hip joints. */
function hipWidth(build: Build): number {
  return hipSpan(build) / 2 + PERSON.head / PERSON.leg;
}

/** From the joint to the surface, in leg lengths: by the mesh, else as of a person as tall as the figure stands. */
const partSize = oncePerKey((build: Build, role: Role): number => {
  const part = role === 'head' ? 'head' : 'hand';
  const { figure, rest, legLength, standing } = build;
  const joint = figure.roles[role]!;
  const { jointCount, parents } = figure.skeleton;
  const taken = new Set(Object.entries(figure.roles).flatMap(([other, j]) => (isOf(other, role) ? [] : [j])));
  const isPart = new Uint8Array(jointCount);
  for (let j = joint; j < jointCount; j++) {
    if (j === joint || (parents[j]! >= joint && isPart[parents[j]!] && !taken.has(j))) isPart[j] = 1;
  }
  const distances: number[] = [];
  for (const skin of figure.skins ?? []) {
    const vertices = restVertices(build, skin);
    for (let v = 0; v < skin.vertexCount; v++) {
      let own = 0;
      let all = 0;
      for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) {
        all += skin.weights[i]!;
        if (isPart[skin.joints[i]!]) own += skin.weights[i]!;
      }
      if (own <= 0.5 * all) continue;
      const [x, y, z] = [0, 1, 2].map((k) => vertices[v * 3 + k]! - rest.positions[joint * 3 + k]!) as [
        number,
        number,
        number,
      ];
      distances.push(part === 'head' ? Math.hypot(x, z) : Math.hypot(x, y, z));
    }
  }
  if (distances.length >= ENOUGH_VERTICES) {
    distances.sort((p, q) => p - q);
    return distances[Math.floor(WITHIN[part] * (distances.length - 1))]! / legLength;
  }
  if (!standing) return PERSON[part] / PERSON.leg;
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (let j = 0; j < jointCount; j++) {
    low = Math.min(low, rest.positions[j * 3 + 1]!);
    high = Math.max(high, rest.positions[j * 3 + 1]!);
  }
  return (PERSON[part] * (high - low)) / legLength;
});

/** Fingers belong to their hand, eyes and jaw to the head. */
function isOf(other: string, role: Role): boolean {
  if (other === role) return true;
  if (role === 'head') return /Eye$|^jaw$/.test(other);
  return /Thumb|Index|Middle|Ring|Little/.test(other) && other.startsWith(role.replace('Hand', ''));
}
