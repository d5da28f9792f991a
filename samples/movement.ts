/** From a plan of feet, pelvis, trunk and arms to postures: the parts that the sample clips share. */
import {
  add,
  clamp,
  cross,
  DEGREE,
  dot,
  ease,
  length,
  lookAlong,
  multiply,
  normalize,
  type Quat,
  rotate,
  scale,
  sub,
  turn,
  type Vec,
  X,
  Y,
  Z,
} from './math.ts';
import { BALL, HEEL, HIP_DROP, HIP_X, localFor, type Posture, SHIN, THIGH, worldOf } from './performer.ts';

export type Side = 'l' | 'r';
export const SIDES: readonly Side[] = ['l', 'r'];

/** Where a foot is: its ball joint (cm), heading and pitch in radians (positive: heel up), bend of the toes. */
export interface FootPose {
  ball: Vec;
  heading: number;
  pitch: number;
  toeBend: number;
}

export const footRotation = (foot: Pick<FootPose, 'heading' | 'pitch'>): Quat =>
  multiply(turn(Y, foot.heading), turn(X, foot.pitch));
export const ankleOf = (foot: FootPose): Vec => sub(foot.ball, rotate(footRotation(foot), BALL));
export const heelOf = (foot: FootPose): Vec => add(ankleOf(foot), rotate(footRotation(foot), HEEL));

/** The pose with the given heel on the place that the heel of the flat foot `plant` has. */
export function aboutHeel(plant: FootPose, pitch: number): FootPose {
  const heel = heelOf({ ...plant, pitch: 0 });
  const rotation = footRotation({ heading: plant.heading, pitch });
  return { ...plant, pitch, ball: add(heel, rotate(rotation, sub(BALL, HEEL))), toeBend: 0 };
}

/** The pose that stands on the ball of `plant`, toes flat. */
export const aboutBall = (plant: FootPose, pitch: number): FootPose => ({ ...plant, pitch, toeBend: -pitch });

/** Values at moments, moved between them with speed and acceleration 0 at each. */
export function keyed(keys: readonly (readonly [time: number, value: number])[], time: number): number {
  for (let i = 1; i < keys.length; i++) {
    const [t0, v0] = keys[i - 1]!;
    const [t1, v1] = keys[i]!;
    if (time < t1) return v0 + (v1 - v0) * ease((time - t0) / (t1 - t0));
  }
  return keys.at(-1)![1];
}

/** Values and speeds at moments, cubic between them. */
export function hermite(
  keys: readonly (readonly [time: number, value: number, speed: number])[],
  time: number,
): number {
  if (time <= keys[0]![0]) return keys[0]![1];
  for (let i = 1; i < keys.length; i++) {
    const [t0, v0, s0] = keys[i - 1]!;
    const [t1, v1, s1] = keys[i]!;
    if (time > t1) continue;
    const h = t1 - t0;
    const t = (time - t0) / h;
    const u = 1 - t;
    return u * u * (1 + 2 * t) * v0 + t * t * (3 - 2 * t) * v1 + h * t * u * (u * s0 - t * s1);
  }
  return keys.at(-1)![1];
}

/** Moving average with a Gaussian of `sigma` seconds, cut off at `reach` seconds, ends held. */
export function smooth(values: readonly number[], fps: number, sigma: number, reach = sigma * 3): number[] {
  const half = Math.round(reach * fps);
  const kernel: number[] = [];
  for (let k = -half; k <= half; k++) kernel.push(Math.exp(-0.5 * (k / fps / sigma) ** 2));
  const sum = kernel.reduce((a, b) => a + b, 0);
  return values.map((_, i) => {
    let total = 0;
    kernel.forEach((w, k) => {
      total += w * values[clamp(i + k - half, 0, values.length - 1)]!;
    });
    return total / sum;
  });
}

/** Smallest value within `reach` seconds. */
export function lowest(values: readonly number[], fps: number, reach: number): number[] {
  const half = Math.round(reach * fps);
  return values.map((_, i) => Math.min(...values.slice(Math.max(0, i - half), i + half + 1)));
}

export interface ArmPose {
  /** Shoulder forwards, and away from the body from hanging, degrees. */
  forward: number;
  aside: number;
  elbow: number;
}

/** Hanging and swinging arm: humerus, radius. Mirrored for the right. */
export function armRotations({ forward, aside, elbow }: ArmPose, side: Side): { humerus: Quat; radius: Quat } {
  const sign = side === 'l' ? 1 : -1;
  return {
    humerus: multiply(turn(X, -forward * DEGREE), turn(Z, -sign * (90 - aside) * DEGREE)),
    radius: turn(Y, -sign * elbow * DEGREE),
  };
}

/** The right arm raised to greet: upper arm out to the side, palm forwards, forearm `lean` degrees from upright. */
export function wavingArm(lean: number): { humerus: Quat; radius: Quat } {
  const humerus = multiply(multiply(turn(Y, 25 * DEGREE), turn(Z, -14 * DEGREE)), turn(X, -82 * DEGREE));
  return { humerus, radius: turn(Y, (76 + lean) * DEGREE) };
}

export interface BodyPlan {
  pelvis: Vec;
  /** Heading in radians; forward lean and side tilt (left side up) in radians. */
  heading: number;
  lean: number;
  tilt: number;
  /** Local rotations of lumbar_c, thorax_c, neck_c, head_c, clavicles and arms. */
  local: Map<string, Quat>;
  feet: Record<Side, FootPose>;
}

export const pelvisRotation = (plan: Pick<BodyPlan, 'heading' | 'lean' | 'tilt'>): Quat =>
  multiply(turn(Y, plan.heading), multiply(turn(X, plan.lean), turn(Z, plan.tilt)));

/** How high the pelvis may be so that both feet are in reach of legs stretched to `share` of their length. */
export function highestPelvis(plan: BodyPlan, share: number): number {
  const rotation = pelvisRotation(plan);
  const heights = SIDES.map((side) => {
    const hip = rotate(rotation, [side === 'l' ? HIP_X : -HIP_X, -HIP_DROP, 0]);
    const ankle = ankleOf(plan.feet[side]);
    const away = Math.hypot(plan.pelvis[0] + hip[0] - ankle[0], plan.pelvis[2] + hip[2] - ankle[2]);
    return ankle[1] + Math.sqrt(Math.max(0, (share * (THIGH + SHIN)) ** 2 - away * away)) - hip[1];
  });
  return Math.min(...heights);
}

/** Solves the legs. Throws when a foot is out of reach: the plan is wrong, not the leg. */
export function postureOf(plan: BodyPlan): Posture {
  const local = new Map(plan.local);
  const pelvis = pelvisRotation(plan);
  local.set('pelvis_c', pelvis);
  const posture = { root: plan.pelvis, local };
  const world = worldOf(posture);
  for (const side of SIDES) {
    const foot = plan.feet[side];
    const hip = world.get(`femur_${side}`)!.position;
    const ankle = ankleOf(foot);
    const leg = sub(hip, ankle);
    const reach = length(leg);
    if (reach > THIGH + SHIN)
      throw new Error(`the ankle is ${reach.toFixed(1)} cm from the hip, beyond ${THIGH + SHIN}`);
    const up = normalize(leg);
    // The knee points between the toes and the front of the pelvis.
    const ahead = add(rotate(footRotation({ heading: foot.heading, pitch: 0 }), Z), rotate(pelvis, Z));
    const pole = normalize(sub(ahead, scale(up, dot(ahead, up))));
    // Law of cosines: how far down the line from hip to ankle the knee stands, and how far before it.
    const down = (reach * reach + THIGH * THIGH - SHIN * SHIN) / (2 * reach);
    const before = Math.sqrt(Math.max(0, THIGH * THIGH - down * down));
    const knee = add(sub(hip, scale(up, down)), scale(pole, before));
    const femur = lookAlong(sub(hip, knee), hingeHint(sub(hip, knee), up, pole));
    const tibia = lookAlong(sub(knee, ankle), hingeHint(sub(knee, ankle), up, pole));
    const rotation = footRotation(foot);
    local.set(`femur_${side}`, localFor(pelvis, femur));
    local.set(`tibia_${side}`, localFor(femur, tibia));
    local.set(`ankle_${side}`, localFor(tibia, rotation));
    local.set(`ball_${side}`, turn(X, foot.toeBend));
  }
  return posture;
}

/** The front of a segment that bends in the plane of `up` and `pole`. */
function hingeHint(segment: Vec, up: Vec, pole: Vec): Vec {
  const hinge = cross(up, pole);
  return cross(hinge, normalize(segment));
}

export interface Contact {
  /** Seconds. */
  start: number;
  end: number;
}
export type Contacts = Record<'left' | 'right', { heel: Contact[]; ball: Contact[] }>;

export interface MadeClip {
  fps: number;
  frames: Posture[];
  /** When heel and ball stand still on the floor, by construction. */
  contacts: Contacts;
}
