/**
 * Two invented motions, made by rule. Footsteps are planned first: each foot comes down on its heel, rolls flat, lifts
 * its heel and leaves from the ball, and what stands does not move. The pelvis follows the feet, the legs are solved.
 * Timing of the walk after handbook values (stance about 60 % of a cycle: Perry & Burnfield, Gait Analysis).
 */
import {
  add,
  DEGREE,
  dot,
  ease,
  mix,
  mixVec,
  multiply,
  type Quat,
  rotate,
  scale,
  slerp,
  sub,
  turn,
  type Vec,
  X,
  Y,
  Z,
} from './math.ts';
import {
  aboutBall,
  aboutHeel,
  ankleOf,
  armRotations,
  type BodyPlan,
  type Contacts,
  type FootPose,
  hermite,
  highestPelvis,
  keyed,
  lowest,
  type MadeClip,
  postureOf,
  SIDES,
  type Side,
  smooth,
  wavingArm,
} from './movement.ts';
import { ANKLE_HEIGHT, BALL, HIP_DROP, SHIN, THIGH } from './performer.ts';

/** Fully stretched standing height of the pelvis joint over the floor, cm. */
const TALL = THIGH + SHIN + ANKLE_HEIGHT + HIP_DROP;
/** Legs are never stretched further: a little knee bend stays. */
const LEG_SHARE = 0.99;

interface Plant {
  foot: FootPose;
  /** Seconds; a foot that starts or ends standing has no heel strike or no toe off. */
  heelStrike: number;
  flat: number;
  heelOff: number;
  toeOff: number;
}

/** Straight on for `straight` cm, then left on a circle of `radius` cm for `turned` radians, then straight on. */
function along(s: number, straight: number, radius: number, turned: number): { at: Vec; heading: number } {
  const arc = radius * turned;
  if (s <= straight) return { at: [0, 0, s], heading: 0 };
  const heading = Math.min((s - straight) / radius, turned);
  const corner: Vec = [radius * (1 - Math.cos(heading)), 0, straight + radius * Math.sin(heading)];
  const rest = Math.max(0, s - straight - arc);
  return { at: add(corner, rotate(turn(Y, heading), [0, 0, rest])), heading };
}

function plantAt(place: { at: Vec; heading: number }, side: Side): FootPose {
  const sign = side === 'l' ? 1 : -1;
  const heading = place.heading + sign * 5 * DEGREE;
  const ankle = add(place.at, rotate(turn(Y, place.heading), [sign * 8, ANKLE_HEIGHT, 0]));
  const ball = add(ankle, rotate(turn(Y, heading), BALL));
  return { ball, heading, pitch: 0, toeBend: 0 };
}

const STRIKE_PITCH = -20 * DEGREE;
const LEAVE_PITCH = 52 * DEGREE;

/** The foot at a time: on a plant, or between two. */
function walkingFoot(plants: readonly Plant[], time: number): FootPose {
  const i = plants.findLastIndex((plant) => plant.heelStrike <= time);
  const plant = plants[Math.max(i, 0)]!;
  const next = plants[i + 1];
  if (time < plant.flat) {
    return aboutHeel(
      plant.foot,
      mix(STRIKE_PITCH, 0, ease((time - plant.heelStrike) / (plant.flat - plant.heelStrike))),
    );
  }
  const rise = LEAVE_PITCH * (next ? leaveShare(plant, next) : 0);
  if (time < plant.heelOff || !next) return plant.foot;
  if (time < plant.toeOff) {
    return aboutBall(plant.foot, rise * ease((time - plant.heelOff) / (plant.toeOff - plant.heelOff)));
  }
  const t = (time - plant.toeOff) / (next.heelStrike - plant.toeOff);
  const from = aboutBall(plant.foot, rise);
  const to = aboutHeel(next.foot, STRIKE_PITCH);
  const k = ease(t);
  const pitch = mix(from.pitch, to.pitch, ease(t * 1.1));
  const ball = add(mixVec(from.ball, to.ball, k), [0, 5.5 * 16 * t * t * (1 - t) ** 2, 0]);
  const loosening = mix(1, 0.6, ease(t / 0.35));
  return { ball, heading: mix(from.heading, to.heading, k), pitch, toeBend: -Math.max(0, pitch) * loosening };
}

/** A short step lifts the heel less. */
function leaveShare(plant: Plant, next: Plant): number {
  const step = sub(next.foot.ball, plant.foot.ball);
  return Math.min(1, Math.hypot(step[0], step[2]) / 110 + 0.2);
}

function contactsOf(plants: Record<Side, Plant[]>, duration: number): Contacts {
  const list = (side: Side): Contacts['left'] => {
    const inside = (start: number, end: number) => ({ start: Math.max(0, start), end: Math.min(duration, end) });
    return {
      heel: plants[side].map((plant) => inside(plant.heelStrike, plant.heelOff)),
      ball: plants[side].map((plant) => inside(plant.flat, plant.toeOff)),
    };
  };
  return { left: list('l'), right: list('r') };
}

/** x where it is positive and 0 where it is negative, rounded over about `softness`. */
const positivePart = (x: number, softness: number): number => (x + Math.hypot(x, softness)) / 2;

/** A walk round the corner of the stalls, and a greeting with the right hand at its end. 60 Hz. */
export function nightRound(): MadeClip {
  const fps = 60;
  const duration = 8.4;
  const stepTime = 0.55;
  const doubleSupport = 0.13;
  const first = 0.75;
  // Places of the steps along the way, cm, right foot first; the last two bring the feet together.
  const marks = [34, 96, 158, 218, 274, 328, 384, 444, 480, 480];
  const plants: Record<Side, Plant[]> = { l: [], r: [] };
  const way = (s: number) => along(s, 135, 95, 110 * DEGREE);
  for (const side of SIDES) {
    plants[side].push({ foot: plantAt(way(0), side), heelStrike: -1, flat: -1, heelOff: 99, toeOff: 99 });
  }
  marks.forEach((s, k) => {
    const side: Side = k % 2 === 0 ? 'r' : 'l';
    const heelStrike = first + k * stepTime + stepTime - doubleSupport;
    const before = plants[side].at(-1)!;
    before.toeOff = heelStrike - stepTime + doubleSupport;
    before.heelOff = before.toeOff - (k < 2 ? 0.28 : 0.34);
    plants[side].push({ foot: plantAt(way(s), side), heelStrike, flat: heelStrike + 0.1, heelOff: 99, toeOff: 99 });
  });

  const times = Array.from({ length: Math.round(duration * fps) + 1 }, (_, f) => f / fps);
  const feet = times.map((time) => ({ l: walkingFoot(plants.l, time), r: walkingFoot(plants.r, time) }));
  const middle = feet.map(({ l, r }) => scale(add(ankleOf(l), ankleOf(r)), 0.5));
  const x = smooth(
    middle.map((p) => p[0]),
    fps,
    0.17,
  );
  const z = smooth(
    middle.map((p) => p[2]),
    fps,
    0.17,
  );
  const heading = smooth(
    feet.map(({ l, r }) => (l.heading + r.heading) / 2),
    fps,
    0.2,
  );
  // 1 while the left foot alone carries, -1 while the right does.
  const carried = smooth(
    times.map((time) => {
      const airborne = (side: Side): boolean =>
        plants[side].some(({ toeOff }, i) => time > toeOff && time < (plants[side][i + 1]?.heelStrike ?? 0));
      return airborne('r') ? 1 : airborne('l') ? -1 : 0;
    }),
    fps,
    0.1,
  );
  // How far the right foot is before the left one, cm.
  const ahead = smooth(
    feet.map(({ l, r }, f) => dot(sub(ankleOf(r), ankleOf(l)), rotate(turn(Y, heading[f]!), Z))),
    fps,
    0.06,
  );
  const plans = times.map((time, f): BodyPlan => {
    const swing = ahead[f]! / 60;
    const yaw = swing * 5 * DEGREE;
    const moving = Math.min(
      1,
      (Math.hypot(x[Math.min(f + 1, x.length - 1)]! - x[f]!, z[Math.min(f + 1, z.length - 1)]! - z[f]!) * fps) / 80,
    );
    const glance = heading[Math.min(f + 20, heading.length - 1)]! - heading[f]!;
    const wave = ease((time - 6.35) / 0.55) * (1 - ease((time - 7.75) / 0.6));
    const local = new Map<string, Quat>();
    local.set('lumbar_c', multiply(turn(Y, -yaw * 0.9), turn(Z, -carried[f]! * 2 * DEGREE)));
    local.set(
      'thorax_c',
      multiply(turn(Y, -yaw * 1.3), multiply(turn(Z, (-carried[f]! * 1 - wave * 3) * DEGREE), turn(X, -1.5 * DEGREE))),
    );
    local.set('neck_c', multiply(turn(Y, yaw * 0.6 + glance * 0.35), turn(X, 2 * DEGREE)));
    local.set(
      'head_c',
      multiply(turn(Y, yaw * 0.6 + glance * 0.3), multiply(turn(X, -1 * DEGREE), turn(Z, wave * 4 * DEGREE))),
    );
    for (const side of SIDES) {
      const reach = side === 'l' ? swing : -swing;
      const arm = armRotations(
        { forward: reach * 24 - 1, aside: 9, elbow: 14 + 10 * positivePart(reach, 0.2) + 6 * moving },
        side,
      );
      let { humerus, radius } = arm;
      if (side === 'r') {
        const greeting = wavingArm(20 * Math.sin(2 * Math.PI * 1.7 * (time - 6.5)) * wave);
        humerus = slerp(humerus, greeting.humerus, wave);
        radius = slerp(radius, greeting.radius, wave);
        local.set('clavicle_r', turn(Z, -wave * 10 * DEGREE));
      }
      local.set(`humerus_${side}`, humerus);
      local.set(`radius_${side}`, radius);
    }
    const sway = rotate(turn(Y, heading[f]!), [carried[f]! * 2.4, 0, 0]);
    return {
      pelvis: [x[f]! + sway[0], TALL, z[f]! + sway[2]],
      heading: heading[f]! + yaw,
      lean: moving * 3 * DEGREE,
      tilt: carried[f]! * 2.5 * DEGREE,
      local,
      feet: feet[f]!,
    };
  });
  return finish(plans, fps, contactsOf(plants, duration));
}

/** Sets the pelvis as high as the legs allow, evened out over a tenth of a second, and solves. */
function finish(plans: BodyPlan[], fps: number, contacts: Contacts): MadeClip {
  const bound = plans.map((plan) => highestPelvis(plan, LEG_SHARE));
  // The average over the reach of the minimum never exceeds the bound itself.
  const height = smooth(lowest(bound, fps, 0.15), fps, 0.08, 0.15);
  const frames = plans.map((plan, f) => postureOf({ ...plan, pelvis: [plan.pelvis[0], height[f]!, plan.pelvis[2]] }));
  return { fps, frames, contacts };
}

/** A deep crouch to reach under the stall, up again, and a hop over a puddle. 120 Hz. */
export function puddleHop(): MadeClip {
  const fps = 120;
  const duration = 6.5;
  const stand = TALL - 1.2;
  const leave = 4.2;
  const land = 4.56;
  const gravity = 981;
  const speedUp = 166;
  const flight = land - leave;
  const risen = stand + 4;
  const landed = risen + speedUp * flight - (gravity * flight * flight) / 2;
  const forth = 95;
  const hopLength = 52;

  const start: Record<Side, FootPose> = {
    l: plantAt({ at: [3, 0, 0], heading: 3 * DEGREE }, 'l'),
    r: plantAt({ at: [-3, 0, 0], heading: -3 * DEGREE }, 'r'),
  };
  const heelOff = 3.92;
  const heelDown = land + 0.13;
  const footAt = (side: Side, time: number): FootPose => {
    const from = start[side];
    const to = { ...from, ball: add(from.ball, [0, 0, hopLength]) };
    if (time < heelOff) return from;
    if (time < leave) return aboutBall(from, 48 * DEGREE * ease((time - heelOff) / (leave - heelOff)));
    if (time >= land) return aboutBall(to, 30 * DEGREE * (1 - ease((time - land) / (heelDown - land))));
    const t = (time - leave) / flight;
    const pitch = mix(48, 30, ease(t)) * DEGREE;
    const ball = add(mixVec(from.ball, to.ball, ease(t)), [0, 23 * 16 * t * t * (1 - t) ** 2, 0]);
    return { ball, heading: from.heading, pitch, toeBend: -pitch * mix(1, 0.5, 16 * t * t * (1 - t) ** 2) };
  };

  const crouched: readonly (readonly [number, number])[] = [
    [0, 0],
    [0.5, 0],
    [1.45, 1],
    [2.1, 1],
    [2.95, 0],
    [9, 0],
  ];
  const gathered: readonly (readonly [number, number])[] = [
    [0, 0],
    [3.3, 0],
    [3.85, 1],
    [4.22, 0],
    [4.5, 0.1],
    [4.9, 0.8],
    [5.7, 0],
    [9, 0],
  ];
  const frames = Array.from({ length: Math.round(duration * fps) + 1 }, (_, f) => {
    const time = f / fps;
    const crouch = keyed(crouched, time);
    const gather = keyed(gathered, time);
    const height = hermite(
      [
        [0, stand, 0],
        [3.3, stand, 0],
        [3.82, stand - 27, 0],
        [leave, risen, speedUp],
        [land, landed, speedUp - gravity * flight],
        [4.9, stand - 24, 0],
        [5.7, stand, 0],
      ],
      time,
    );
    // In the air only gravity acts: the parabola, not the cubic between its ends.
    const since = time - leave;
    const airborne = since > 0 && time < land;
    const pelvisY = airborne ? risen + speedUp * since - (gravity * since * since) / 2 : height;
    const ahead = hermite(
      [
        [3.3, 0, 0],
        [3.82, -3, 0],
        [leave, 9, forth],
        [land, 9 + forth * flight, forth],
        [4.95, hopLength - 4, 0],
        [5.7, hopLength, 0],
      ],
      time,
    );
    const lean = 34 * crouch + 26 * gather;
    const local = new Map<string, Quat>();
    local.set('lumbar_c', turn(X, (14 * crouch + 6 * gather) * DEGREE));
    local.set('thorax_c', multiply(turn(X, (10 * crouch + 4 * gather) * DEGREE), turn(Y, -12 * crouch * DEGREE)));
    local.set('neck_c', turn(X, (-18 * crouch - 14 * gather) * DEGREE));
    local.set('head_c', multiply(turn(X, (-14 * crouch - 10 * gather) * DEGREE), turn(Y, 10 * crouch * DEGREE)));
    const swing = keyed(
      [
        [0, 0],
        [3.3, 0],
        [3.8, -42],
        [4.24, 58],
        [4.62, 30],
        [4.95, 12],
        [5.7, 0],
        [9, 0],
      ],
      time,
    );
    for (const side of SIDES) {
      const reach = side === 'r' ? 58 * crouch : 30 * crouch;
      const elbow = 16 + (side === 'r' ? 14 : 50) * crouch + 0.5 * positivePart(swing, 12);
      const { humerus, radius } = armRotations(
        { forward: swing + reach, aside: 9 + 8 * gather + 4 * crouch, elbow },
        side,
      );
      local.set(`humerus_${side}`, humerus);
      local.set(`radius_${side}`, radius);
    }
    return postureOf({
      pelvis: [0, pelvisY - 40 * crouch, ahead - 13 * crouch],
      heading: 0,
      lean: lean * DEGREE,
      tilt: 0,
      local,
      feet: { l: footAt('l', time), r: footAt('r', time) },
    });
  });
  const both = {
    heel: [
      { start: 0, end: heelOff },
      { start: heelDown, end: duration },
    ],
    ball: [
      { start: 0, end: leave },
      { start: land, end: duration },
    ],
  };
  return { fps, frames, contacts: { left: both, right: both } };
}

export const CLIPS: Record<string, () => MadeClip> = { 'night-round': nightRound, 'puddle-hop': puddleHop };
