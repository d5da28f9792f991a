/**
 * From the channel values of a frame to local rotations and translations.
 *
 * Ways tried, in ns a value on zup_wave_hello.bvh (Xeon of 2.6 GHz, Node 20), sines and products together:
 * - Math.sin and Math.cos of the half angle: 9.5 for these alone; kernels on ±45° with quadrants: 8.0 + 4.3.
 * - fits on ±90°, where nothing is left to tell between -180° and 180°: 5.7 + 4.3; one term less: 5.2, not worth it.
 * - sines kept in registers up to the product, not in tables a frame: 6.9 in all, files 15 % faster.
 */
import type { BvhNode } from './header.ts';

/**
 * sin x = x + x z P(z), cos x = 1 + z Q(z), z = x², on [-π/2, π/2]: weighted minimax fits (Lawson's iteration) with
 * errors of 5.1e-14 and 8.2e-13, where Float32 rounds by up to 3e-8.
 */
const S1 = -0.16666666666402383;
const S2 = 0.008333333316519064;
const S3 = -0.0001984126601105062;
const S4 = 2.7556901465130912e-6;
const S5 = -2.502846273794966e-8;
const S6 = 1.538743748044855e-10;
const C1 = -0.4999999999793833;
const C2 = 0.041666666503961426;
const C3 = -0.0013888884612196604;
const C4 = 2.4801070160355368e-5;
const C5 = -2.752566045820705e-7;
const C6 = 1.991994552505496e-9;
const RADIANS = Math.PI / 180;
/** Beyond it half - 180 q would round. */
const EXACT_DEGREES = 2 ** 40;

/**
 * Half of an angle in degrees, in radians, brought within ±π/2. That may change the sign of its sine and cosine
 * together, which a rotation does not see: q and -q are the same rotation.
 */
function halfAngle(degrees: number): number {
  let half = degrees * 0.5;
  if (half > 90 || half < -90) {
    // In degrees the reduction is exact.
    if (half > EXACT_DEGREES || half < -EXACT_DEGREES) half %= 180;
    half -= 180 * Math.floor(half * (1 / 180) + 0.5);
  }
  return half * RADIANS;
}

/** sin x for |x| ≤ π/2. */
function sine(x: number): number {
  const z = x * x;
  return x + x * z * (S1 + z * (S2 + z * (S3 + z * (S4 + z * (S5 + z * S6)))));
}

/** cos x for |x| ≤ π/2. */
function cosine(x: number): number {
  const z = x * x;
  return 1 + z * (C1 + z * (C2 + z * (C3 + z * (C4 + z * (C5 + z * C6)))));
}

/** How the values of a frame become the local poses of one take. Compiled once from the hierarchy. */
export interface DecodePlan {
  jointCount: number;
  /** Joints turned by at most one channel an axis. */
  turned: Int32Array;
  /** Values that are its angles, three a turned joint, first channel first; an axis that has none: the 0 at the end. */
  turns: Int32Array;
  /** Axes in file order, as component 0, 1, 2; three a turned joint; a missing axis comes last. */
  axes: Uint8Array;
  /** 1 when the axes are an even permutation of x, y, z, -1 when odd. */
  parity: Float64Array;
  /** Joints with more than three rotation channels or with an axis twice: their channels one by one. */
  general: { joint: number; turns: number[]; axes: number[] }[];
  /** Joints with position channels, ascending. */
  translationJoints: Int16Array;
  /** What the translations hold where no channel replaces it: translationJoints × 3. */
  offsets: Float32Array;
  /** Position channels: index of the value, and of the number in a frame's translations. */
  moveValues: Int32Array;
  moveSlots: Int32Array;
}

/**
 * @param joints        of one take, in file order
 * @param value         index of the take's first value in the frame
 * @param channelCount  of all takes; the value with that index is always 0
 */
export function compileDecode(
  joints: readonly BvhNode[],
  value: number,
  channelCount: number,
): { plan: DecodePlan; nextValue: number } {
  const turned: number[] = [];
  const turns: number[] = [];
  const axes: number[] = [];
  const parity: number[] = [];
  const general: DecodePlan['general'] = [];
  const translationJoints: number[] = [];
  const offsets: number[] = [];
  const moveValues: number[] = [];
  const moveSlots: number[] = [];
  let nextValue = value;
  joints.forEach((joint, j) => {
    const ownAxes: number[] = [];
    const ownTurns: number[] = [];
    let moves = false;
    for (const channel of joint.channels) {
      const axis = channel.charCodeAt(0) - 88; // 'X' is 88
      if (channel.endsWith('rotation')) {
        ownAxes.push(axis);
        ownTurns.push(nextValue);
      } else {
        if (!moves) {
          translationJoints.push(j);
          offsets.push(...joint.translation);
          moves = true;
        }
        moveValues.push(nextValue);
        moveSlots.push((translationJoints.length - 1) * 3 + axis);
      }
      nextValue++;
    }
    if (ownAxes.length === 0) return;
    if (new Set(ownAxes).size < ownAxes.length) {
      general.push({ joint: j, turns: ownTurns, axes: ownAxes });
      return;
    }
    for (let axis = 0; axis < 3; axis++) {
      if (ownAxes.includes(axis)) continue;
      ownAxes.push(axis);
      ownTurns.push(channelCount);
    }
    turned.push(j);
    turns.push(...ownTurns);
    axes.push(...ownAxes);
    parity.push((ownAxes[0]! + 1) % 3 === ownAxes[1] ? 1 : -1);
  });
  const plan = {
    jointCount: joints.length,
    turned: Int32Array.from(turned),
    turns: Int32Array.from(turns),
    axes: Uint8Array.from(axes),
    parity: Float64Array.from(parity),
    general,
    translationJoints: Int16Array.from(translationJoints),
    offsets: Float32Array.from(offsets),
    moveValues: Int32Array.from(moveValues),
    moveSlots: Int32Array.from(moveSlots),
  };
  return { plan, nextValue };
}

/**
 * Local rotations of one frame.
 *
 * The product q₁ q₂ q₃ of turns about three different axes i, j, k, written out in half angles; ε is the parity of
 * (i, j, k): w = c₁c₂c₃ - ε s₁s₂s₃, i = s₁c₂c₃ + ε c₁s₂s₃, j = c₁s₂c₃ - ε s₁c₂s₃, k = c₁c₂s₃ + ε s₁s₂c₃.
 *
 * @param out       xyzw, jointCount × 4 from `at`, overwritten; must hold the identity for a joint without channels
 * @param previous  where the frame before it begins in `out`, for the sign; -1 for none
 */
export function decodeRotations(
  plan: DecodePlan,
  values: Float64Array,
  out: Float32Array,
  at: number,
  previous: number,
): void {
  const { turned, turns, axes, parity } = plan;
  for (let t = 0, k = 0; t < turned.length; t++, k += 3) {
    const h1 = halfAngle(values[turns[k]!]!);
    const h2 = halfAngle(values[turns[k + 1]!]!);
    const h3 = halfAngle(values[turns[k + 2]!]!);
    const c1 = cosine(h1);
    const s1 = sine(h1);
    const c2 = cosine(h2);
    const s2 = sine(h2);
    const c3 = cosine(h3);
    const s3 = sine(h3);
    const e = parity[t]!;
    const cc = c2 * c3;
    const ss = e * s2 * s3;
    const sc = s2 * c3;
    const cs = e * c2 * s3;
    let w = c1 * cc - s1 * ss;
    let i = s1 * cc + c1 * ss;
    let j = c1 * sc - s1 * cs;
    let m = e * (c1 * cs + s1 * sc);
    const joint = turned[t]! * 4;
    const a1 = axes[k]!;
    const a2 = axes[k + 1]!;
    const a3 = axes[k + 2]!;
    let dot = w;
    if (previous >= 0) {
      const p = previous + joint;
      dot = w * out[p + 3]! + i * out[p + a1]! + j * out[p + a2]! + m * out[p + a3]!;
    }
    if (dot < 0) {
      w = -w;
      i = -i;
      j = -j;
      m = -m;
    }
    const o = at + joint;
    out[o + a1] = i;
    out[o + a2] = j;
    out[o + a3] = m;
    out[o + 3] = w;
  }
  if (plan.general.length > 0) decodeGeneral(plan, values, out, at, previous);
}

/** The same for any number and order of turns, one product at a time. */
function decodeGeneral(plan: DecodePlan, values: Float64Array, out: Float32Array, at: number, previous: number): void {
  for (const { joint, turns, axes } of plan.general) {
    const q = [0, 0, 0, 1];
    for (let k = 0; k < turns.length; k++) {
      const half = halfAngle(values[turns[k]!]!);
      const c = cosine(half);
      const s = sine(half);
      const a = axes[k]!;
      const b = (a + 1) % 3;
      const d = (a + 2) % 3;
      // q · (turn about axis a)
      const [qa, qb, qd, qw] = [q[a]!, q[b]!, q[d]!, q[3]!];
      q[a] = qa * c + qw * s;
      q[b] = qb * c + qd * s;
      q[d] = qd * c - qb * s;
      q[3] = qw * c - qa * s;
    }
    let dot = q[3]!;
    if (previous >= 0) {
      dot = 0;
      for (let k = 0; k < 4; k++) dot += q[k]! * out[previous + joint * 4 + k]!;
    }
    const sign = dot < 0 ? -1 : 1;
    for (let k = 0; k < 4; k++) out[at + joint * 4 + k] = sign * q[k]!;
  }
}

/**
 * Translations of one frame: OFFSET, replaced component by component where the joint has a position channel.
 * @param from  where the frame begins in `values`
 */
export function decodeTranslations(
  plan: DecodePlan,
  values: Float64Array,
  from: number,
  out: Float32Array,
  at: number,
): void {
  const { offsets, moveValues, moveSlots } = plan;
  for (let k = 0; k < offsets.length; k++) out[at + k] = offsets[k]!;
  for (let k = 0; k < moveValues.length; k++) out[at + moveSlots[k]!] = values[from + moveValues[k]!]!;
}
