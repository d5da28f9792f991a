/** Builds joints and clothes-and-skin surface of a two-legged figure from measures. Keys are VRM 1.0 humanoid bones. */
import {
  add,
  cross,
  DEGREE,
  interpolate,
  mirror,
  mixVec,
  normalize,
  rotate,
  scale,
  smoothstep,
  sub,
  turn,
  type Vec,
  X,
  Y,
  Z,
} from './math.ts';
import { alongChain, type Ring, rigid, Shell, type Weigh } from './shapes.ts';

export type Profile = readonly (readonly [at: number, value: number])[];
export type Bands = readonly (readonly [upTo: number, colour: number])[];
export type SideName = 'left' | 'right';
export const SIDES: readonly SideName[] = ['left', 'right'];

/** Metres unless said otherwise. Heights are over the floor, widths from the middle plane. */
export interface Measures {
  hipY: number;
  hipX: number;
  kneeY: number;
  kneeX: number;
  /** How far the knee stands before the line from hip to ankle: the bend that tells a solver which way. */
  kneeForward: number;
  ankleY: number;
  ankleX: number;
  ankleZ: number;
  heelZ: number;
  ballZ: number;
  toeZ: number;
  footHalfWidth: number;
  /** Joint keys of the spine from the hips upwards with their heights and depth, ending with head. */
  spine: readonly { key: string; y: number; z: number }[];
  headTop: number;
  collarX: number;
  collarY: number;
  shoulderX: number;
  shoulderY: number;
  upperArm: number;
  forearm: number;
  /** How far the elbow stands behind the line from shoulder to wrist. */
  elbowBack: number;
  hand: number;
  /** Degrees below horizontal in the rest pose. */
  armDown: number;
  /** [height, half width, half depth, depth offset] from the crotch to the neck. */
  torso: readonly (readonly [number, number, number, number])[];
  torsoColours: Bands;
  /** Radius over 0 (hip), 1 (knee), 2 (ankle). */
  leg: Profile;
  legColours: Bands;
  shoeColour: number;
  shoeHeight: number;
  /** Radius over 0 (shoulder), 1 (elbow), 2 (wrist). */
  arm: Profile;
  armColours: Bands;
  neckRadius: number;
  skin: number;
  /** Half width, half height, half depth of the head. */
  head: Vec;
  /** Which of the optional parts the body has. */
  toes: boolean;
  collars: boolean;
  fingers: 'five' | 'mitten' | 'none';
  /** Half thickness and half width of the palm. */
  palm: readonly [number, number];
}

export interface FigureJoint {
  key: string;
  parent: string | null;
  position: Vec;
  /** Where the bone that starts here ends. */
  tip: Vec;
}

export interface Figure {
  measures: Measures;
  joints: Map<string, FigureJoint>;
  shell: Shell;
}

/** Chains of weights may name other joints than the body's own: a twist joint, a control. */
export interface SkinningChains {
  arm?: (side: SideName) => string[];
  leg?: (side: SideName) => string[];
}

export const capital = (side: SideName): string => (side === 'left' ? 'Left' : 'Right');
const sided = (side: SideName, p: Vec): Vec => (side === 'left' ? p : mirror(p));

/** Directions of the rest-pose arm on one side: along it, its upper side, and forwards. */
export function armAxes(m: Measures, side: SideName): { along: Vec; above: Vec } {
  const lower = turn(Z, -m.armDown * DEGREE);
  return { along: sided(side, rotate(lower, X)), above: sided(side, rotate(lower, Y)) };
}

const FINGERS: readonly { name: string; forward: number; start: number; length: number; radius: number }[] = [
  { name: 'Index', forward: 0.72, start: 0.97, length: 0.86, radius: 1 },
  { name: 'Middle', forward: 0.24, start: 1, length: 0.95, radius: 1.02 },
  { name: 'Ring', forward: -0.26, start: 0.98, length: 0.88, radius: 0.98 },
  { name: 'Little', forward: -0.74, start: 0.92, length: 0.7, radius: 0.86 },
];

export function figureJoints(m: Measures): Map<string, FigureJoint> {
  const joints = new Map<string, FigureJoint>();
  const put = (key: string, parent: string | null, position: Vec, tip: Vec): void => {
    joints.set(key, { key, parent, position, tip });
  };
  m.spine.forEach(({ key, y, z }, i) => {
    const next = m.spine[i + 1];
    const tip: Vec = next ? [0, next.y, next.z] : [0, m.headTop, z];
    put(key, i === 0 ? null : m.spine[i - 1]!.key, [0, y, z], tip);
  });
  const breast = m.spine.filter(({ key }) => key !== 'head' && key !== 'neck').at(-1)!.key;
  for (const side of SIDES) {
    const at = (x: number, y: number, z: number): Vec => sided(side, [x, y, z]);
    const hip = at(m.hipX, m.hipY, m.spine[0]!.z);
    const ankle = at(m.ankleX, m.ankleY, m.ankleZ);
    const straight = mixVec(hip, ankle, (m.hipY - m.kneeY) / (m.hipY - m.ankleY));
    const knee = at(m.kneeX, m.kneeY, straight[2] + m.kneeForward);
    const ball = at(m.ankleX * 1.04, m.toes ? m.ankleY * 0.28 : m.ankleY * 0.4, m.ballZ);
    put(`${side}UpperLeg`, 'hips', hip, knee);
    put(`${side}LowerLeg`, `${side}UpperLeg`, knee, ankle);
    put(`${side}Foot`, `${side}LowerLeg`, ankle, ball);
    if (m.toes) put(`${side}Toes`, `${side}Foot`, ball, at(m.ankleX * 1.06, ball[1], m.toeZ));
    armJoints(m, side, breast, put);
  }
  return joints;
}

function armJoints(
  m: Measures,
  side: SideName,
  breast: string,
  put: (key: string, parent: string | null, position: Vec, tip: Vec) => void,
): void {
  const { along, above } = armAxes(m, side);
  const shoulder = sided(side, [m.shoulderX, m.shoulderY, m.spine.find(({ key }) => key === breast)!.z - 0.01]);
  const onArm = (distance: number, up: number, forward: number): Vec =>
    add(add(shoulder, scale(along, distance)), add(scale(above, up), [0, 0, forward]));
  const elbow = onArm(m.upperArm, 0, -m.elbowBack);
  const wrist = onArm(m.upperArm + m.forearm, 0, 0);
  const knuckles = onArm(m.upperArm + m.forearm + m.hand * 0.5, 0, 0);
  if (m.collars) put(`${side}Shoulder`, breast, sided(side, [m.collarX, m.collarY, shoulder[2] + 0.01]), shoulder);
  put(`${side}UpperArm`, m.collars ? `${side}Shoulder` : breast, shoulder, elbow);
  put(`${side}LowerArm`, `${side}UpperArm`, elbow, wrist);
  put(`${side}Hand`, `${side}LowerArm`, wrist, knuckles);
  if (m.fingers === 'none') return;
  const reach = m.upperArm + m.forearm;
  const thumb = thumbPath(m, onArm, reach);
  const thumbKeys = m.fingers === 'five' ? ['Metacarpal', 'Proximal', 'Distal'] : ['Metacarpal', 'Proximal'];
  thumbKeys.forEach((bone, i) => {
    const parent = i === 0 ? `${side}Hand` : `${side}Thumb${thumbKeys[i - 1]}`;
    put(`${side}Thumb${bone}`, parent, thumb[i]!, thumb[i + 1]!);
  });
  if (m.fingers === 'mitten') {
    const middle = onArm(reach + m.hand * 0.78, -m.palm[0] * 0.05, 0);
    put(`${side}MiddleProximal`, `${side}Hand`, knuckles, middle);
    put(`${side}MiddleIntermediate`, `${side}MiddleProximal`, middle, onArm(reach + m.hand, -m.palm[0] * 0.2, 0));
    return;
  }
  for (const finger of FINGERS) {
    const place = fingerPath(m, finger, onArm, reach);
    ['Proximal', 'Intermediate', 'Distal'].forEach((bone, i, bones) => {
      const parent = i === 0 ? `${side}Hand` : `${side}${finger.name}${bones[i - 1]}`;
      put(`${side}${finger.name}${bone}`, parent, place[i]!, place[i + 1]!);
    });
  }
}

type OnArm = (distance: number, up: number, forward: number) => Vec;

/** Four places: three knuckles and the tip, a little curled. */
function fingerPath(m: Measures, finger: (typeof FINGERS)[number], onArm: OnArm, reach: number): Vec[] {
  const start = reach + m.hand * 0.52 * finger.start;
  const size = m.hand * 0.48 * finger.length;
  return (
    [
      [0, 0],
      [0.45, -0.02],
      [0.75, -0.07],
      [1, -0.14],
    ] as const
  ).map(([t, curl]) => onArm(start + size * t, size * curl, finger.forward * m.palm[1] * (1 + 0.12 * t)));
}

function thumbPath(m: Measures, onArm: OnArm, reach: number): Vec[] {
  const [thickness, width] = m.palm;
  const places: [number, number, number][] = [
    [0.14, -0.3, 0.65],
    [0.32, -0.55, 1.2],
    [0.5, -0.7, 1.6],
    [0.66, -0.8, 1.85],
  ];
  return places.map(([t, up, forward]) => onArm(reach + m.hand * t, thickness * up, width * forward));
}

export function buildFigure(m: Measures, chains: SkinningChains = {}, extra: readonly FigureJoint[] = []): Figure {
  const joints = figureJoints(m);
  for (const joint of extra) joints.set(joint.key, joint);
  const shell = new Shell();
  const figure = { measures: m, joints, shell };
  torso(figure);
  neckAndHead(figure);
  for (const side of SIDES) {
    leg(figure, side, chains.leg?.(side) ?? legChain(side));
    foot(figure, side);
    arm(figure, side, chains.arm?.(side) ?? armChain(m, side));
    hand(figure, side);
  }
  return figure;
}

export const legChain = (side: SideName): string[] => ['hips', `${side}UpperLeg`, `${side}LowerLeg`, `${side}Foot`];
export const armChain = (m: Measures, side: SideName): string[] => [
  m.collars ? `${side}Shoulder` : m.spine.filter(({ key }) => key !== 'head' && key !== 'neck').at(-1)!.key,
  `${side}UpperArm`,
  `${side}LowerArm`,
  `${side}Hand`,
];

export function bandColour(bands: Bands, t: number): number {
  return bands.find(([upTo]) => t <= upTo + 1e-9)?.[1] ?? bands.at(-1)![1];
}

/** Rings where the profile is sampled, and twice where the colour changes, so that edges of clothes are sharp. */
function samples(from: number, to: number, steps: readonly number[], bands: Bands): { t: number; colour: number }[] {
  const edges = bands.map(([upTo]) => upTo).filter((t) => t > from && t < to);
  const ts = steps.filter((t) => t >= from && t <= to && !edges.some((edge) => Math.abs(edge - t) < 0.02));
  const all = ts.map((t) => ({ t, colour: bandColour(bands, t) }));
  for (const edge of edges) {
    all.push(
      { t: edge - 1e-3, colour: bandColour(bands, edge) },
      { t: edge + 1e-3, colour: bandColour(bands, edge + 0.01) },
    );
  }
  return all.sort((a, b) => a.t - b.t);
}

/** Weights of the torso: up the spine, and towards the collar bones at the shoulders. */
export function spineWeights({ measures: m, joints }: Figure): Weigh {
  const keys = m.spine.map(({ key }) => key);
  const chain = alongChain(
    keys.map((key) => ({ joint: key, at: [0, joints.get(key)!.position[1], 0] as Vec })),
    [0, m.headTop, 0],
    0.45,
  );
  if (!m.collars) return (vertex) => chain(vertex, [0, vertex[1], 0]);
  return (vertex) => {
    const base = chain(vertex, [0, vertex[1], 0]);
    const aside = smoothstep(0.45 * m.shoulderX, 1.05 * m.shoulderX, Math.abs(vertex[0]));
    const high = smoothstep(m.shoulderY - 1.2 * m.shoulderX, m.shoulderY, vertex[1]);
    const share = 0.65 * aside * high;
    if (share <= 0) return base;
    const shared = new Map([...base].map(([joint, w]) => [joint, w * (1 - share)]));
    shared.set(vertex[0] > 0 ? 'leftShoulder' : 'rightShoulder', share);
    return shared;
  };
}

function torso(figure: Figure): void {
  const { measures: m, shell } = figure;
  const rings: Ring[] = [];
  for (const [y, halfWidth, halfDepth, z] of m.torso) {
    const previous = rings.at(-1);
    const colour = bandColour(m.torsoColours, y);
    // The lower edge of a garment: two rings at nearly one height.
    if (previous && previous.colour !== colour)
      rings.push({ ...previous, centre: add(previous.centre, [0, 1e-3, 0]), colour });
    rings.push({ centre: [0, y, z], u: [halfWidth, 0, 0], v: [0, 0, halfDepth], colour });
  }
  shell.loft(rings, { sides: 16, weigh: spineWeights(figure), squareness: 2.5 });
}

/** Share of full width over the height of the head, chin to crown. */
const HEAD: Profile = [
  [0, 0.42],
  [0.06, 0.62],
  [0.16, 0.8],
  [0.3, 0.93],
  [0.46, 1],
  [0.62, 0.99],
  [0.78, 0.86],
  [0.9, 0.6],
  [0.97, 0.33],
  [1, 0.1],
];

/** Rings of the head blown up by `grow`, from one share of its height to another. */
export function headRings(m: Measures, from: number, to: number, grow: number, colour: number, back = 0): Ring[] {
  const steps = [from, ...HEAD.map(([t]) => t).filter((t) => t > from + 0.02 && t < to - 0.02), to];
  return steps.map((t) => {
    const k = interpolate(HEAD, t) * grow;
    const lift = (t - 0.5) * 2 * m.head[1] * grow;
    return {
      centre: headPoint(m, [0, lift / m.head[1], -back / m.head[2]]),
      u: [m.head[0] * k, 0, 0],
      v: [0, 0, m.head[2] * k],
      colour,
    };
  });
}

/** A place on the head: [x, y, z] as shares of its half axes from its middle. */
export function headPoint(m: Measures, share: Vec): Vec {
  const head = m.spine.at(-1)!;
  return [
    share[0] * m.head[0],
    m.headTop - m.head[1] + share[1] * m.head[1],
    head.z + m.head[2] * 0.12 + share[2] * m.head[2],
  ];
}

function neckAndHead(figure: Figure): void {
  const { measures: m, shell, joints } = figure;
  const head = joints.get('head')!.position;
  const base = m.torso.at(-1)!;
  const top: Vec = [0, head[1] + m.head[1] * 0.35, head[2]];
  const rings = [0, 0.3, 0.55, 0.8, 1].map((t) => {
    const centre = mixVec([0, base[0] - 0.03, base[3]], top, t);
    return { centre, u: [m.neckRadius, 0, 0] as Vec, v: [0, 0, m.neckRadius] as Vec, colour: m.skin };
  });
  shell.loft(rings, { sides: 10, weigh: spineWeights(figure) });
  const weigh = rigid('head');
  shell.loft(headRings(m, 0, 1, 1, m.skin), { sides: 14, weigh, squareness: 2.2 });
  const size = m.head[0];
  shell.loft(
    [
      { centre: headPoint(m, [0, 0.02, 0.86]), u: [size * 0.1, 0, 0], v: [0, size * 0.06, 0], colour: m.skin },
      { centre: headPoint(m, [0, -0.12, 1.05]), u: [size * 0.15, 0, 0], v: [0, size * 0.12, 0], colour: m.skin },
      { centre: headPoint(m, [0, -0.15, 1.16]), u: [size * 0.08, 0, 0], v: [0, size * 0.07, 0], colour: m.skin },
    ],
    { sides: 6, weigh },
  );
  for (const side of SIDES) {
    const eye = headPoint(m, [0.4, 0.1, 0.88]);
    shell.ball(
      sided(side, eye),
      [
        [0, size * 0.16, 0],
        [size * 0.1, 0, 0],
        [0, 0, size * 0.07],
      ],
      0x2b2230,
      weigh,
      7,
      4,
    );
    const ear = headPoint(m, [1.0, 0.02, -0.1]);
    shell.ball(
      sided(side, ear),
      [
        [0, size * 0.24, 0],
        [size * 0.09, 0, 0],
        [0, 0, size * 0.16],
      ],
      m.skin,
      weigh,
      7,
      4,
    );
  }
  shell.ball(
    headPoint(m, [0, -0.45, 0.86]),
    [
      [size * 0.24, 0, 0],
      [0, size * 0.045, 0],
      [0, 0, size * 0.06],
    ],
    0x8a4a3c,
    weigh,
    6,
    4,
  );
}

const LIMB_STEPS = [-0.3, 0, 0.25, 0.5, 0.7, 0.84, 0.93, 1, 1.07, 1.16, 1.3, 1.5, 1.72, 1.86, 2, 2.12];

/** A tube along three joints; `t` is 0 at the first, 1 at the second, 2 at the third. */
function limbRings(
  path: readonly [Vec, Vec, Vec],
  from: number,
  to: number,
  profile: Profile,
  bands: Bands,
  flat: (along: Vec) => { u: Vec; v: Vec },
): Ring[] {
  return samples(from, to, LIMB_STEPS, bands).map(({ t, colour }) => {
    const centre =
      t <= 1 ? add(path[0], scale(sub(path[1], path[0]), t)) : add(path[1], scale(sub(path[2], path[1]), t - 1));
    const along = normalize(
      mixVec(normalize(sub(path[1], path[0])), normalize(sub(path[2], path[1])), smoothstep(0.8, 1.2, t)),
    );
    const { u, v } = flat(along);
    const radius = interpolate(profile, t);
    return { centre, u: scale(u, radius), v: scale(v, radius), colour };
  });
}

function leg({ joints, shell, measures: m }: Figure, side: SideName, chain: string[]): void {
  const at = (key: string): Vec => joints.get(key)!.position;
  const path = [at(`${side}UpperLeg`), at(`${side}LowerLeg`), at(`${side}Foot`)] as const;
  const rings = limbRings(path, -0.12, 2.12, [[-0.12, m.leg[0]![1] * 0.86], ...m.leg], m.legColours, (along) => {
    const v = normalize(cross(along, X));
    return { u: cross(v, along), v };
  });
  const links = chainLinks(joints, chain);
  // Above the hip joint the skin is the pelvis's own.
  links[0] = { joint: chain[0]!, at: add(path[0], [0, (m.hipY - m.kneeY) * 0.35, 0]) };
  shell.loft(rings, { sides: 12, weigh: alongChain(links, [path[2][0], -m.ankleY, path[2][2]]), squareness: 2.1 });
}

function chainLinks(joints: Map<string, FigureJoint>, chain: string[]): { joint: string; at: Vec }[] {
  return chain.map((key) => ({ joint: key, at: joints.get(key)!.position }));
}

function foot({ joints, shell, measures: m }: Figure, side: SideName): void {
  const x = joints.get(`${side}Foot`)!.position[0];
  const w = m.footHalfWidth;
  const h = m.shoeHeight;
  const size = m.toeZ - m.heelZ;
  const shape: [number, number, number][] = [
    [0, 0.55, 0.55],
    [0.05, 0.8, 0.8],
    [0.16, 0.92, 1],
    [0.34, 0.9, 1],
    [0.5, 0.95, 0.76],
    [0.64, 1.04, 0.6],
    [0.73, 1.06, 0.53],
    [0.82, 1, 0.48],
    [0.92, 0.84, 0.42],
    [0.98, 0.58, 0.32],
    [1, 0.36, 0.22],
  ];
  const rings = shape.map(([t, width, height]) => ({
    centre: [x * (1 + 0.05 * t), (height * h) / 2, m.heelZ + t * size] as Vec,
    u: [w * width, 0, 0] as Vec,
    v: [0, (height * h) / 2, 0] as Vec,
    colour: m.shoeColour,
  }));
  const heel: Vec = [x, 0, m.heelZ];
  const chain = [{ joint: `${side}Foot`, at: heel }];
  if (m.toes) chain.push({ joint: `${side}Toes`, at: [x, 0, m.ballZ] });
  const weigh = alongChain(chain, [x, 0, m.toeZ], 0.35);
  shell.loft(rings, { sides: 12, weigh: (p, c) => weigh(p, [x, 0, c[2]]), squareness: 3 });
}

function arm(figure: Figure, side: SideName, chain: string[]): void {
  const { joints, shell, measures: m } = figure;
  const at = (key: string): Vec => joints.get(key)!.position;
  const path = [at(`${side}UpperArm`), at(`${side}LowerArm`), at(`${side}Hand`)] as const;
  const { above } = armAxes(m, side);
  const rings = limbRings(path, -0.3, 2.05, [[-0.3, m.arm[0]![1] * 0.7], ...m.arm], m.armColours, (along) => {
    const v = normalize(cross(along, above));
    return { u: cross(v, along), v };
  });
  const links = chainLinks(joints, chain);
  // The collar's part of the sleeve reaches straight inwards from the shoulder.
  links[0] = { joint: chain[0]!, at: add(path[0], scale(sub(path[0], path[1]), 0.8)) };
  shell.loft(rings, {
    sides: 10,
    weigh: alongChain(links, at(`${side}Hand`).map((c, k) => c + (c - path[1][k]!) * 0.6) as unknown as Vec),
    squareness: 2,
  });
}

function hand(figure: Figure, side: SideName): void {
  const { joints, shell, measures: m } = figure;
  const { along, above } = armAxes(m, side);
  const wrist = joints.get(`${side}Hand`)!.position;
  const [thickness, width] = m.palm;
  const ring = (t: number, thick: number, wide: number): Ring => ({
    centre: add(wrist, scale(along, m.hand * t)),
    u: [0, 0, width * wide],
    v: scale(above, thickness * thick),
    colour: m.skin,
  });
  const handKey = `${side}Hand`;
  if (m.fingers === 'five') {
    const rings = [
      ring(-0.12, 0.8, 0.6),
      ring(0.04, 0.92, 0.72),
      ring(0.2, 1.05, 0.98),
      ring(0.4, 1, 1.06),
      ring(0.52, 0.85, 1),
      ring(0.57, 0.5, 0.8),
    ];
    shell.loft(rings, { sides: 10, weigh: rigid(handKey), squareness: 2.8 });
    for (const { name, radius } of FINGERS) {
      digit(
        figure,
        ['Proximal', 'Intermediate', 'Distal'].map((bone) => `${side}${name}${bone}`),
        width * 0.235 * radius,
        handKey,
      );
    }
    digit(
      figure,
      ['Metacarpal', 'Proximal', 'Distal'].map((bone) => `${side}Thumb${bone}`),
      width * 0.28,
      handKey,
    );
    return;
  }
  const rings = [
    ring(-0.1, 0.75, 0.62),
    ring(0.06, 0.95, 0.78),
    ring(0.22, 1.1, 1),
    ring(0.42, 1.08, 1.06),
    ring(0.54, 1, 1.04),
    ring(0.68, 0.92, 1),
    ring(0.82, 0.82, 0.92),
    ring(0.93, 0.62, 0.72),
    ring(1, 0.3, 0.36),
  ];
  const chain = [{ joint: handKey, at: wrist }];
  for (const key of [`${side}MiddleProximal`, `${side}MiddleIntermediate`]) {
    const joint = joints.get(key);
    if (joint) chain.push({ joint: key, at: joint.position });
  }
  const end = add(wrist, scale(along, m.hand));
  shell.loft(rings, { sides: 10, weigh: alongChain(chain, end), squareness: 2.6 });
  const thumbKeys = ['Metacarpal', 'Proximal'].map((bone) => `${side}Thumb${bone}`).filter((key) => joints.has(key));
  if (thumbKeys.length > 0) {
    digit(figure, thumbKeys, width * 0.36, handKey);
    return;
  }
  const thumb = (
    [
      [0.16, -0.1, 0.7],
      [0.3, -0.25, 1.15],
      [0.46, -0.35, 1.45],
      [0.54, -0.38, 1.56],
    ] as const
  ).map(([t, up, forward]) =>
    add(add(wrist, scale(along, m.hand * t)), add(scale(above, thickness * up), [0, 0, width * forward])),
  );
  tube(shell, thumb, width * 0.34, m.skin, rigid(handKey));
}

/** A finger: joints given by key, a round tip. */
function digit({ joints, shell, measures: m }: Figure, keys: string[], radius: number, handKey: string): void {
  const links = keys.map((key) => ({ joint: key, at: joints.get(key)!.position }));
  const tip = joints.get(keys.at(-1)!)!.tip;
  const first = links[0]!.at;
  const behind = add(first, scale(sub(first, joints.get(keys[0]!)!.tip), 0.5));
  const weigh = alongChain([{ joint: handKey, at: behind }, ...links], tip, 0.32);
  tube(shell, [mixVec(behind, first, 0.3), first, ...links.slice(1).map(({ at }) => at), tip], radius, m.skin, weigh);
}

/** A hexagonal tube through places, with a ring in the middle of each segment and before and after each bend. */
function tube(shell: Shell, path: readonly Vec[], radius: number, colour: number, weigh: Weigh): void {
  const rings: Ring[] = [];
  const last = path.length - 2;
  for (let i = 0; i <= last; i++) {
    const along = normalize(sub(path[i + 1]!, path[i]!));
    const v = normalize(cross(along, Math.abs(along[1]) > 0.9 ? Z : Y));
    const u = cross(v, along);
    const ts = i === last ? [0.12, 0.5, 0.85, 1] : i === 0 ? [0, 0.88] : [0.12, 0.88];
    for (const t of ts) {
      const k = radius * (i === last && t === 1 ? 0.5 : 1 - (0.18 * (i + t)) / path.length);
      rings.push({ centre: mixVec(path[i]!, path[i + 1]!, t), u: scale(u, k), v: scale(v, k), colour });
    }
  }
  shell.loft(rings, { sides: 6, weigh });
}
