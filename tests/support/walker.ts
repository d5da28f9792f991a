import type { RoleMap } from '../../src/pairing/roles.ts';
import { type Clip, createClip } from '../../src/skeleton/clip.ts';
import type { FootContacts } from '../../src/skeleton/contact-interval.ts';
import { SIDES, type Side } from '../../src/skeleton/side.ts';
import { buildSkeleton, type JointSource, type Skeleton } from '../../src/skeleton/skeleton.ts';
import { axisAngle } from './quat.ts';

/** One error to build into the walk, in the given step (0 is the first heel strike) of one foot. Metres at scale 1. */
export interface WalkerErrors {
  /** The planted foot slides ahead by this much, evenly, while its ball stands. */
  slide?: { side: Side; step: number; metres: number };
  /** The foot stands this much below the floor. */
  sink?: { side: Side; step: number; metres: number };
  /** The knee bends the wrong way in these frames, ankle and hip staying where they are. */
  kneeBackwards?: { side: Side; first: number; last: number };
}

export interface WalkerOptions extends WalkerErrors {
  /** 1: a leg of 0.82 m. */
  scale?: number;
  fps?: number;
  /** Cycles of two steps; 1.2 s each. */
  cycles?: number;
  /** Each foot is set down by so much higher than the one before, on a level tread: a stair. Metres at scale 1. */
  rise?: number;
  /** Thigh and shin at scale 1, metres. */
  thigh?: number;
  shin?: number;
}

export interface Walker {
  skeleton: Skeleton;
  clip: Clip;
  roles: RoleMap;
  /** Exact, as the walk was made. */
  contacts: FootContacts;
  /** Thigh plus shin, metres. */
  legLength: number;
}

const CYCLE = 1.2;
const STRIDE = 0.8;
const HIP_HEIGHT = 0.835;
const ANKLE_HEIGHT = 0.08;
const BALL_HEIGHT = 0.02;
const BALL_AHEAD = 0.14;
/** Where the heel touches the floor, behind the ankle. */
const HEEL_BEHIND = 0.3 * BALL_AHEAD;
const HALF_WIDTH = 0.09;
/** Shares of the cycle: ball down, heel up, toe off. Stance of 60 %: Perry & Burnfield, Gait Analysis (handbook value). */
const BALL_DOWN = 0.12;
const HEEL_UP = 0.34;
const TOE_OFF = 0.6;
/** Radians: toes up at heel strike, heel up at toe off. */
const STRIKE_PITCH = 0.3;
const PUSH_PITCH = 0.6;

/** 0 to 1 with no speed and no acceleration at either end. */
function ease(t: number): number {
  const x = Math.min(1, Math.max(0, t));
  return x * x * x * (x * (6 * x - 15) + 10);
}

interface FootState {
  ankleY: number;
  ankleZ: number;
  /** Toes up is positive, radians. */
  pitch: number;
  toePitch: number;
}

/**
 * A person who walks straight ahead on y = 0, in a closed form: standing heels and balls do not move at all, the foot
 * rolls about its heel and then about the joint of its toes. Rest pose: T-pose, all joint rotations the identity.
 */
export function buildWalker(options: WalkerOptions = {}): Walker {
  const { scale = 1, fps = 60, cycles = 3, thigh = 0.42, shin = 0.4 } = options;
  const j = (name: string, x: number, y: number, z: number, ...children: JointSource[]): JointSource => ({
    name,
    rotation: [0, 0, 0, 1],
    translation: [x * scale, y * scale, z * scale],
    children,
  });
  const leg = (side: Side, x: number): JointSource =>
    j(`${side}UpperLeg`, x, 0, 0, j(`${side}LowerLeg`, 0, -thigh, 0, j(`${side}Foot`, 0, -shin, 0, toes(side))));
  const toes = (side: Side): JointSource => ({
    ...j(`${side}Toes`, 0, BALL_HEIGHT - ANKLE_HEIGHT, BALL_AHEAD),
    tips: [{ offset: [0, -0.01 * scale, 0.06 * scale] }],
  });
  const arm = (side: Side, s: number): JointSource =>
    j(
      `${side}Shoulder`,
      s * 0.03,
      0.12,
      0,
      j(`${side}UpperArm`, s * 0.13, 0, 0, j(`${side}LowerArm`, s * 0.28, 0, 0, j(`${side}Hand`, s * 0.25, 0, 0))),
    );
  const root = j(
    'hips',
    0,
    thigh + shin + ANKLE_HEIGHT,
    0,
    j(
      'spine',
      0,
      0.1,
      0,
      j('chest', 0, 0.15, 0, j('neck', 0, 0.2, 0, j('head', 0, 0.1, 0)), arm('left', 1), arm('right', -1)),
    ),
    leg('left', HALF_WIDTH),
    leg('right', -HALF_WIDTH),
  );
  const { skeleton } = buildSkeleton([root]);
  const roles = Object.fromEntries(skeleton.names.map((name, i) => [name, i])) as RoleMap;
  const frameCount = Math.round(cycles * CYCLE * fps) + 1;
  const clip = createClip('walk', frameCount, 1 / fps, skeleton.jointCount, [roles.hips!]);
  for (let i = 3; i < clip.rotations.length; i += 4) clip.rotations[i] = 1;

  const contacts: FootContacts = {
    left: { heel: [], ball: [], foot: [] },
    right: { heel: [], ball: [], foot: [] },
  };
  const duration = (frameCount - 1) / fps;
  for (const side of SIDES)
    for (let step = -1; step < cycles + 1; step++) {
      const strike = strikeTime(side, step);
      const span = (from: number, to: number) => ({
        start: Math.max(0, strike + from * CYCLE),
        end: Math.min(duration, strike + to * CYCLE),
        confidence: 1,
      });
      const add = (list: FootContacts['left']['heel'], from: number, to: number) => {
        const interval = span(from, to);
        if (interval.end - interval.start > 0.05) list.push(interval);
      };
      add(contacts[side].heel, 0, HEEL_UP);
      add(contacts[side].ball, BALL_DOWN, TOE_OFF);
      add(contacts[side].foot, 0, TOE_OFF);
    }

  const turn = (f: number, joint: number, x: number, y: number, z: number, angle: number) =>
    clip.rotations.set(axisAngle(x, y, z, angle), (f * skeleton.jointCount + joint) * 4);
  for (let f = 0; f < frameCount; f++) {
    const t = f / fps;
    const swing = Math.sin((2 * Math.PI * t) / CYCLE);
    const climbed = (options.rise ?? 0) * (2 * (t / CYCLE - TOE_OFF / 2) - 0.5);
    const hipY = climbed + HIP_HEIGHT + 0.01 * Math.cos((4 * Math.PI * t) / CYCLE) + (thigh + shin - 0.82);
    const hipZ = (STRIDE * t) / CYCLE;
    clip.translations.set([0, hipY * scale, hipZ * scale], f * 3);
    turn(f, roles.chest!, 0, 1, 0, 0.12 * swing);
    turn(f, roles.neck!, 0, 1, 0, -0.08 * swing);
    for (const side of SIDES) {
      const foot = footAt(side, t, options);
      const down = hipY - foot.ankleY;
      const ahead = foot.ankleZ - hipZ;
      const reach = Math.hypot(down, ahead);
      if (reach >= thigh + shin)
        throw new Error(`the walker cannot reach: ${reach} of ${thigh + shin} m in frame ${f}`);
      // Law of cosines; angles are about the x axis, ahead is positive.
      const line = Math.atan2(ahead, down);
      const atHip = Math.acos((thigh * thigh + reach * reach - shin * shin) / (2 * thigh * reach));
      const atKnee = Math.acos((thigh * thigh + shin * shin - reach * reach) / (2 * thigh * shin));
      const wrong = options.kneeBackwards;
      const sense = wrong && wrong.side === side && f >= wrong.first && f <= wrong.last ? -1 : 1;
      const thighAngle = line + sense * atHip;
      const shinAngle = thighAngle - sense * (Math.PI - atKnee);
      turn(f, roles[`${side}UpperLeg`]!, 1, 0, 0, -thighAngle);
      turn(f, roles[`${side}LowerLeg`]!, 1, 0, 0, thighAngle - shinAngle);
      turn(f, roles[`${side}Foot`]!, 1, 0, 0, shinAngle - foot.pitch);
      turn(f, roles[`${side}Toes`]!, 1, 0, 0, foot.pitch - foot.toePitch);
      // The arm hangs down and swings with the other leg; the elbow brings the forearm ahead.
      const s = side === 'left' ? 1 : -1;
      const arm = -0.3 * s * swing;
      const q = axisAngle(0, 0, 1, -s * 1.35);
      const a = axisAngle(1, 0, 0, arm);
      const at = (f * skeleton.jointCount + roles[`${side}UpperArm`]!) * 4;
      clip.rotations.set(multiply(a, q), at);
      turn(f, roles[`${side}LowerArm`]!, 0, 1, 0, -s * (0.4 + 0.2 * Math.sin((2 * Math.PI * t) / CYCLE + s)));
    }
  }
  return { skeleton, clip, roles, contacts, legLength: (thigh + shin) * scale };
}

/** Hamilton product a · b, written out so that the walk does not depend on what it is used to test. */
function multiply(a: Float64Array, b: Float64Array): number[] {
  const [ax, ay, az, aw] = [...a] as [number, number, number, number];
  const [bx, by, bz, bw] = [...b] as [number, number, number, number];
  return [
    aw * bx + ax * bw + ay * bz - az * by,
    aw * by - ax * bz + ay * bw + az * bx,
    aw * bz + ax * by - ay * bx + az * bw,
    aw * bw - ax * bx - ay * by - az * bz,
  ];
}

function strikeTime(side: Side, step: number): number {
  return (step + (side === 'left' ? 0 : 0.5)) * CYCLE;
}

function footAt(side: Side, t: number, errors: WalkerErrors & Pick<WalkerOptions, 'rise'>): FootState {
  const cycle = t / CYCLE - (side === 'left' ? 0 : 0.5);
  const step = Math.floor(cycle + 1e-9);
  const phase = Math.max(0, cycle - step);
  if (phase <= TOE_OFF) return stance(side, step, phase, errors);
  const from = stance(side, step, TOE_OFF, errors);
  const to = stance(side, step + 1, 0, errors);
  const k = ease((phase - TOE_OFF) / (1 - TOE_OFF));
  const mix = (a: number, b: number) => a + (b - a) * k;
  return {
    ankleY: mix(from.ankleY, to.ankleY) + 0.06 * 16 * (k * (1 - k)) ** 2,
    ankleZ: mix(from.ankleZ, to.ankleZ),
    pitch: mix(from.pitch, to.pitch),
    toePitch: mix(from.toePitch, to.toePitch),
  };
}

function stance(
  side: Side,
  step: number,
  phase: number,
  { slide, sink, rise: tread = 0 }: WalkerErrors & Pick<WalkerOptions, 'rise'>,
): FootState {
  const strike = strikeTime(side, step);
  // The hip is above the middle of the foot halfway through stance.
  let heelZ = (STRIDE * (strike + (TOE_OFF / 2) * CYCLE)) / CYCLE - BALL_AHEAD / 2;
  if (slide?.side === side && slide.step === step)
    heelZ += slide.metres * Math.max(0, (phase - BALL_DOWN) / (TOE_OFF - BALL_DOWN));
  const climbed = tread * (2 * step + (side === 'left' ? 0 : 1));
  const floor = climbed - (sink?.side === side && sink.step === step ? sink.metres : 0);
  if (phase <= HEEL_UP) {
    const pitch = STRIKE_PITCH * (1 - ease(phase / BALL_DOWN));
    return {
      ankleY: floor + ANKLE_HEIGHT * Math.cos(pitch) + HEEL_BEHIND * Math.sin(pitch),
      ankleZ: heelZ - HEEL_BEHIND - ANKLE_HEIGHT * Math.sin(pitch) + HEEL_BEHIND * Math.cos(pitch),
      pitch,
      toePitch: pitch,
    };
  }
  const heelUp = PUSH_PITCH * ease((phase - HEEL_UP) / (TOE_OFF - HEEL_UP));
  const rise = ANKLE_HEIGHT - BALL_HEIGHT;
  return {
    ankleY: floor + BALL_HEIGHT + rise * Math.cos(heelUp) + BALL_AHEAD * Math.sin(heelUp),
    ankleZ: heelZ + BALL_AHEAD + rise * Math.sin(heelUp) - BALL_AHEAD * Math.cos(heelUp),
    pitch: -heelUp,
    toePitch: 0,
  };
}
