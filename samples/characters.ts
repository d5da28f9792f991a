/**
 * The Lantern Row: a small night market that travels with its own street theatre. Four of its people.
 *
 * - Tamsel lights the lamps: tall, slim, arms that reach every hook. Clean rig, all fingers and toes, T-pose.
 * - Bodge cooks dumplings: short legs, huge head. A-pose, rolled joint axes, Z-up armature in centimetres.
 * - Oriv carries the signal lantern: feet and hands are skinned to controls under the root, with pole targets, twist
 *   joints and a lantern in the right hand, as riggers leave them.
 * - Pim sells paper birds: a child, as few joints as will do.
 */

import {
  armChain,
  buildFigure,
  capital,
  type Figure,
  figureJoints,
  headPoint,
  headRings,
  legChain,
  type Measures,
  SIDES,
  type SideName,
  spineWeights,
} from './figure.ts';
import {
  add,
  DEGREE,
  IDENTITY,
  interpolate,
  lookAlong,
  mirror,
  mixVec,
  multiply,
  type Quat,
  sub,
  turn,
  type Vec,
  X,
  Y,
  Z,
} from './math.ts';
import type { Joint, Rig } from './rig.ts';
import { type Ring, rigid, Shell } from './shapes.ts';

const METRE_ARMATURE = { name: 'Armature', rotation: IDENTITY, scale: 1 };

/** Both sides of a name by one rule. */
function pairNames(name: (side: SideName) => Record<string, string>): Record<string, string> {
  return { ...name('left'), ...name('right') };
}

/** Joints of the figure with names and world axes, parents first, in the order of the body. */
function namedJoints(figure: Figure, names: Record<string, string>, axes: (key: string, bone: Vec) => Quat): Joint[] {
  return [...figure.joints.values()].map(({ key, parent, position, tip }) => {
    const name = names[key];
    if (name === undefined) throw new Error(`no name for ${key}`);
    return { key, name, parent, position, rotation: axes(key, sub(tip, position)) };
  });
}

const TAMSEL: Measures = {
  hipY: 1.1,
  hipX: 0.095,
  kneeY: 0.595,
  kneeX: 0.1,
  kneeForward: 0.022,
  ankleY: 0.095,
  ankleX: 0.105,
  ankleZ: -0.02,
  heelZ: -0.085,
  ballZ: 0.125,
  toeZ: 0.215,
  footHalfWidth: 0.05,
  spine: [
    { key: 'hips', y: 1.14, z: 0 },
    { key: 'spine', y: 1.26, z: 0.005 },
    { key: 'chest', y: 1.4, z: 0 },
    { key: 'upperChest', y: 1.54, z: -0.01 },
    { key: 'neck', y: 1.71, z: -0.015 },
    { key: 'head', y: 1.81, z: 0.005 },
  ],
  headTop: 2.06,
  collarX: 0.03,
  collarY: 1.66,
  shoulderX: 0.185,
  shoulderY: 1.655,
  upperArm: 0.36,
  forearm: 0.34,
  elbowBack: 0.018,
  hand: 0.2,
  armDown: 0,
  torso: [
    [1.0, 0.1, 0.085, 0],
    [1.05, 0.172, 0.118, 0],
    [1.12, 0.17, 0.12, 0],
    [1.2, 0.146, 0.108, 0.004],
    [1.28, 0.132, 0.098, 0.006],
    [1.36, 0.137, 0.102, 0.004],
    [1.46, 0.155, 0.11, 0],
    [1.56, 0.176, 0.115, -0.006],
    [1.63, 0.178, 0.104, -0.01],
    [1.675, 0.14, 0.084, -0.012],
    [1.71, 0.075, 0.066, -0.014],
  ],
  torsoColours: [
    [1.12, 0x27334f],
    [1.21, 0x8a5a2b],
    [3, 0x2f6f73],
  ],
  leg: [
    [0, 0.076],
    [0.25, 0.084],
    [0.5, 0.08],
    [0.9, 0.064],
    [1, 0.063],
    [1.3, 0.062],
    [1.6, 0.05],
    [1.72, 0.048],
    [2, 0.05],
    [2.12, 0.05],
  ],
  legColours: [
    [1.45, 0x27334f],
    [3, 0x5a3a24],
  ],
  shoeColour: 0x5a3a24,
  shoeHeight: 0.11,
  arm: [
    [0, 0.064],
    [0.5, 0.052],
    [1, 0.045],
    [1.3, 0.046],
    [1.7, 0.045],
    [1.75, 0.036],
    [2, 0.03],
    [2.05, 0.03],
  ],
  armColours: [
    [1.72, 0x2f6f73],
    [3, 0xc98f63],
  ],
  neckRadius: 0.05,
  skin: 0xc98f63,
  head: [0.092, 0.135, 0.108],
  toes: true,
  collars: true,
  fingers: 'five',
  palm: [0.017, 0.042],
};

function tamsel(): Rig {
  const figure = buildFigure(TAMSEL);
  const weigh = rigid('head');
  const m = TAMSEL;
  figure.shell.loft(headRings(m, 0.5, 1, 1.07, 0x3b2320, 0.018), { sides: 14, weigh, squareness: 2.2 });
  hat(figure.shell, m, 0xe0a83c, 0x8a5a2b);
  scarf(figure.shell, m, 0xd9573f);
  const names = {
    hips: 'Hips',
    spine: 'Spine1',
    chest: 'Spine2',
    upperChest: 'Chest',
    neck: 'Neck',
    head: 'Head',
    ...pairNames((side) => {
      const end = side === 'left' ? '.L' : '.R';
      const names: Record<string, string> = {};
      const parts = {
        Shoulder: 'Collar',
        UpperArm: 'UpArm',
        LowerArm: 'LowArm',
        Hand: 'Hand',
        UpperLeg: 'UpLeg',
        LowerLeg: 'LowLeg',
        Foot: 'Foot',
        Toes: 'Toes',
      };
      for (const [key, name] of Object.entries(parts)) names[side + key] = name + end;
      for (const finger of ['Thumb', 'Index', 'Middle', 'Ring', 'Little']) {
        const bones =
          finger === 'Thumb' ? ['Metacarpal', 'Proximal', 'Distal'] : ['Proximal', 'Intermediate', 'Distal'];
        bones.forEach((bone, i) => {
          names[side + finger + bone] = `${finger}${i + 1}${end}`;
        });
      }
      return names;
    }),
  };
  const joints = namedJoints(figure, names, () => IDENTITY);
  return { name: 'tamsel', joints, shell: figure.shell, armature: METRE_ARMATURE, props: [] };
}

/** A brimmed, pointed lamplighter's hat, bent a little. */
function hat(shell: Shell, m: Measures, colour: number, band: number): void {
  const [w, , d] = m.head;
  const ring = (y: number, k: number, z: number, c: number): Ring => ({
    centre: headPoint(m, [0, y, z]),
    u: [w * k, 0, 0],
    v: [0, 0, d * k],
    colour: c,
  });
  shell.loft(
    [
      ring(0.42, 1.05, -0.1, colour),
      ring(0.4, 1.75, -0.1, colour),
      ring(0.46, 1.78, -0.1, colour),
      ring(0.54, 1.14, -0.12, colour),
    ],
    { sides: 14, weigh: rigid('head') },
  );
  shell.loft(
    [
      ring(0.5, 1.12, -0.12, band),
      ring(0.7, 1.08, -0.12, band),
      ring(0.705, 1.06, -0.12, colour),
      ring(1.15, 0.74, -0.2, colour),
      ring(1.6, 0.42, -0.36, colour),
      ring(1.95, 0.14, -0.62, colour),
    ],
    { sides: 14, weigh: rigid('head') },
  );
}

function scarf(shell: Shell, m: Measures, colour: number): void {
  const neck = m.spine.find(({ key }) => key === 'neck')!;
  const k = m.neckRadius;
  shell.loft(
    (
      [
        [-0.035, 1.2],
        [-0.02, 1.7],
        [0.005, 1.75],
        [0.025, 1.25],
      ] as const
    ).map(([y, r]) => ({
      centre: [0, neck.y + y, neck.z + 0.004] as Vec,
      u: [k * r, 0, 0] as Vec,
      v: [0, 0, k * r] as Vec,
      colour,
    })),
    { sides: 12, weigh: rigid('neck') },
  );
}

const BODGE: Measures = {
  hipY: 0.41,
  hipX: 0.11,
  kneeY: 0.235,
  kneeX: 0.12,
  kneeForward: 0.012,
  ankleY: 0.07,
  ankleX: 0.125,
  ankleZ: -0.015,
  heelZ: -0.075,
  ballZ: 0.09,
  toeZ: 0.165,
  footHalfWidth: 0.062,
  spine: [
    { key: 'hips', y: 0.45, z: 0 },
    { key: 'spine', y: 0.54, z: 0.005 },
    { key: 'chest', y: 0.66, z: 0 },
    { key: 'neck', y: 0.82, z: -0.01 },
    { key: 'head', y: 0.865, z: 0 },
  ],
  headTop: 1.4,
  collarX: 0.04,
  collarY: 0.78,
  shoulderX: 0.2,
  shoulderY: 0.765,
  upperArm: 0.2,
  forearm: 0.19,
  elbowBack: 0.012,
  hand: 0.15,
  armDown: 42,
  torso: [
    [0.33, 0.13, 0.115, 0.005],
    [0.37, 0.205, 0.175, 0.01],
    [0.45, 0.245, 0.215, 0.02],
    [0.53, 0.25, 0.225, 0.03],
    [0.61, 0.235, 0.205, 0.022],
    [0.69, 0.21, 0.17, 0.008],
    [0.76, 0.185, 0.135, 0],
    [0.8, 0.14, 0.11, -0.004],
    [0.83, 0.08, 0.08, -0.006],
  ],
  torsoColours: [
    [0.46, 0x4c5b3c],
    [3, 0xe9dcc3],
  ],
  leg: [
    [0, 0.108],
    [0.5, 0.104],
    [1, 0.092],
    [1.5, 0.084],
    [1.75, 0.08],
    [1.8, 0.064],
    [2, 0.062],
    [2.12, 0.06],
  ],
  legColours: [
    [1.76, 0x4c5b3c],
    [3, 0x7c3b2a],
  ],
  shoeColour: 0x7c3b2a,
  shoeHeight: 0.1,
  arm: [
    [0, 0.084],
    [0.5, 0.076],
    [0.9, 0.07],
    [1, 0.066],
    [1.25, 0.062],
    [1.3, 0.052],
    [1.7, 0.05],
    [2, 0.044],
    [2.05, 0.044],
  ],
  armColours: [
    [1.27, 0xe9dcc3],
    [3, 0xe5b48c],
  ],
  neckRadius: 0.07,
  skin: 0xe5b48c,
  head: [0.225, 0.265, 0.215],
  toes: true,
  collars: true,
  fingers: 'mitten',
  palm: [0.035, 0.052],
};

/** Roll about the bone: what is left when joints are drawn by hand. Mirrored in sign between the sides. */
const BODGE_ROLLS: Record<string, number> = {
  UpperLeg: 35,
  LowerLeg: -70,
  Foot: 20,
  Toes: 90,
  Shoulder: 15,
  UpperArm: -50,
  LowerArm: 110,
  Hand: 65,
};

function bodge(): Rig {
  const figure = buildFigure(BODGE);
  const m = BODGE;
  const weigh = rigid('head');
  figure.shell.loft(headRings(m, 0.62, 1, 1.05, 0x6b4a2f, 0.02), { sides: 14, weigh, squareness: 2.2 });
  const [w, h, d] = m.head;
  const ring = (y: number, k: number, colour: number): Ring => ({
    centre: headPoint(m, [0, y, -0.05]),
    u: [w * k, 0, 0],
    v: [0, 0, d * k],
    colour,
  });
  // The cook's cap: a band and a soft top.
  figure.shell.loft(
    [
      ring(0.5, 0.96, 0xd9573f),
      ring(0.68, 0.93, 0xd9573f),
      ring(0.69, 0.92, 0xf6f1e6),
      ring(0.8, 1.08, 0xf6f1e6),
      ring(1.0, 1.14, 0xf6f1e6),
      ring(1.16, 0.9, 0xf6f1e6),
      ring(1.22, 0.4, 0xf6f1e6),
    ],
    { sides: 14, weigh },
  );
  for (const side of [1, -1]) {
    const place = headPoint(m, [0.2 * side, -0.3, 0.97]);
    figure.shell.ball(
      place,
      [
        [w * 0.24, h * 0.035 * side, 0],
        [0, h * 0.075, 0],
        [0, 0, d * 0.12],
      ],
      0x6b4a2f,
      weigh,
      6,
      4,
    );
  }
  apron(figure);
  const names = {
    hips: 'pelvis',
    spine: 'belly',
    chest: 'chest',
    neck: 'neck',
    head: 'skull',
    ...pairNames((side) => {
      const parts = {
        Shoulder: 'collarbone',
        UpperArm: 'upper_arm',
        LowerArm: 'lower_arm',
        Hand: 'hand',
        UpperLeg: 'thigh',
        LowerLeg: 'calf',
        Foot: 'foot',
        Toes: 'toes',
        ThumbMetacarpal: 'thumb_a',
        ThumbProximal: 'thumb_b',
        MiddleProximal: 'fingers_a',
        MiddleIntermediate: 'fingers_b',
      };
      return Object.fromEntries(Object.entries(parts).map(([key, name]) => [side + key, `${side}_${name}`]));
    }),
  };
  const joints = namedJoints(figure, names, (key, bone) => {
    const sign = key.startsWith('right') ? -1 : 1;
    const roll = BODGE_ROLLS[key.replace(/^(left|right)/, '')] ?? 0;
    return multiply(
      lookAlong(bone, Math.abs(bone[2]) > Math.abs(bone[1]) + Math.abs(bone[0]) ? Y : Z),
      turn(Y, sign * roll * DEGREE),
    );
  });
  const root: Joint = { key: 'root', name: 'root', parent: null, position: [0, 0, 0], rotation: turn(X, -90 * DEGREE) };
  for (const joint of joints) joint.parent ??= 'root';
  return {
    name: 'bodge',
    joints: [root, ...joints],
    shell: figure.shell,
    armature: { name: 'bodge_rig', rotation: turn(X, -90 * DEGREE), scale: 0.01 },
    props: [],
  };
}

/** A bib over the belly: a sheet a little before the torso that bends with it, its rim tucked in. */
function apron(figure: Figure): void {
  const { shell, measures: m } = figure;
  const columns = [-1, -0.97, -0.75, -0.5, -0.25, 0, 0.25, 0.5, 0.75, 0.97, 1];
  const low = 0.385;
  const high = 0.745;
  const heights = [
    low,
    low + 0.005,
    ...m.torso.map(([y]) => y).filter((y) => y > low + 0.02 && y < high - 0.02),
    high - 0.005,
    high,
  ];
  const measure = (y: number, k: 1 | 2 | 3): number =>
    interpolate(
      m.torso.map((row) => [row[0], row[k]] as const),
      y,
    );
  const rows = heights.map((y) =>
    columns.map((c): Vec => {
      const rim = Math.abs(c) === 1 || y === low || y === high;
      const x = c * measure(y, 1) * (y > 0.6 ? 0.56 : 0.7);
      // The torso's own cross-section, see `torso`.
      const depth = measure(y, 2) * (1 - (Math.abs(x) / measure(y, 1)) ** 2.5) ** 0.4;
      return [x, y, measure(y, 3) + depth + (rim ? -0.02 : 0.011)];
    }),
  );
  shell.sheet(rows, 0xd9573f, spineWeights(figure));
}

const ORIV: Measures = {
  hipY: 0.86,
  hipX: 0.1,
  kneeY: 0.47,
  kneeX: 0.108,
  kneeForward: 0.02,
  ankleY: 0.09,
  ankleX: 0.115,
  ankleZ: -0.02,
  heelZ: -0.09,
  ballZ: 0.12,
  toeZ: 0.2,
  footHalfWidth: 0.06,
  spine: [
    { key: 'hips', y: 0.91, z: 0 },
    { key: 'spine', y: 1.03, z: 0.005 },
    { key: 'chest', y: 1.2, z: -0.005 },
    { key: 'neck', y: 1.44, z: -0.015 },
    { key: 'head', y: 1.51, z: 0 },
  ],
  headTop: 1.79,
  collarX: 0.03,
  collarY: 1.39,
  shoulderX: 0.215,
  shoulderY: 1.385,
  upperArm: 0.29,
  forearm: 0.27,
  elbowBack: 0.018,
  hand: 0.19,
  armDown: 0,
  torso: [
    [0.77, 0.11, 0.095, 0],
    [0.82, 0.186, 0.132, 0],
    [0.9, 0.186, 0.135, 0],
    [0.97, 0.168, 0.125, 0.004],
    [1.06, 0.168, 0.125, 0.006],
    [1.16, 0.19, 0.135, 0.002],
    [1.27, 0.215, 0.14, -0.004],
    [1.36, 0.212, 0.122, -0.01],
    [1.41, 0.16, 0.098, -0.012],
    [1.445, 0.085, 0.078, -0.014],
  ],
  torsoColours: [
    [0.9, 0x3a2f4a],
    [0.98, 0xd8a03a],
    [3, 0x7d3c63],
  ],
  leg: [
    [0, 0.084],
    [0.25, 0.094],
    [0.5, 0.09],
    [1, 0.075],
    [1.3, 0.074],
    [1.55, 0.062],
    [2, 0.056],
    [2.12, 0.055],
  ],
  legColours: [
    [1.5, 0x3a2f4a],
    [3, 0xb89a6a],
  ],
  shoeColour: 0x4a3327,
  shoeHeight: 0.1,
  arm: [
    [0, 0.08],
    [0.5, 0.068],
    [0.66, 0.07],
    [0.72, 0.056],
    [1, 0.05],
    [1.4, 0.05],
    [2, 0.038],
    [2.05, 0.038],
  ],
  armColours: [
    [0.69, 0x7d3c63],
    [3, 0x8f5d3f],
  ],
  neckRadius: 0.062,
  skin: 0x8f5d3f,
  head: [0.1, 0.14, 0.115],
  toes: true,
  collars: true,
  fingers: 'mitten',
  palm: [0.024, 0.05],
};

function oriv(): Rig {
  const m = ORIV;
  // The twist joints stand halfway; figure keys for the chains are added to the body before it is skinned.
  const figure = buildFigureWithTwists(m);
  const weigh = rigid('head');
  figure.shell.loft(headRings(m, 0.56, 1, 1.08, 0x1f1a24, 0.02), { sides: 14, weigh, squareness: 2.2 });
  figure.shell.ball(
    headPoint(m, [0, 1.0, -0.7]),
    [
      [0, 0.05, 0],
      [0.055, 0, 0],
      [0, 0, 0.055],
    ],
    0x1f1a24,
    weigh,
    9,
    5,
  );
  figure.shell.ball(
    headPoint(m, [0, -0.85, 0.7]),
    [
      [0, 0.055, 0],
      [0.06, 0, 0],
      [0, 0, 0.035],
    ],
    0x1f1a24,
    weigh,
    8,
    5,
  );
  const names = {
    hips: 'hips_j',
    spine: 'spine_a_j',
    chest: 'spine_b_j',
    neck: 'neck_j',
    head: 'head_j',
    ...pairNames((side) => {
      const s = side === 'left' ? 'l' : 'r';
      const parts = {
        Shoulder: 'clav_j',
        UpperArm: 'uparm_j',
        LowerArm: 'loarm_j',
        LowerArmTwist: 'loarm_twist_j',
        Hand: 'hand_ctl',
        UpperLeg: 'thigh_j',
        UpperLegTwist: 'thigh_twist_j',
        LowerLeg: 'shin_j',
        Foot: 'foot_ctl',
        Toes: 'toe_j',
        ThumbMetacarpal: 'thumb_a_j',
        ThumbProximal: 'thumb_b_j',
        MiddleProximal: 'fing_a_j',
        MiddleIntermediate: 'fing_b_j',
      };
      return Object.fromEntries(Object.entries(parts).map(([key, name]) => [side + key, `${s}_${name}`]));
    }),
  };
  const axes = (_key: string, bone: Vec): Quat =>
    lookAlong(bone, Math.abs(bone[2]) > Math.abs(bone[1]) + Math.abs(bone[0]) ? Y : Z);
  const joints = namedJoints(figure, names, axes);
  const root: Joint = { key: 'root', name: 'root_ctl', parent: null, position: [0, 0, 0], rotation: IDENTITY };
  const byKey = new Map(joints.map((joint) => [joint.key, joint]));
  const extra: Joint[] = [];
  for (const side of SIDES) {
    const s = side === 'left' ? 'l' : 'r';
    const at = (key: string): Vec => byKey.get(side + key)!.position;
    // Controls that carry the skin hang under the root, beside the limb that a solver would bring to them.
    for (const control of ['Foot', 'Hand']) byKey.get(side + control)!.parent = 'root';
    const knee = add(at('LowerLeg'), [0, 0, 0.5]);
    const elbow = add(at('LowerArm'), [0, 0, -0.5]);
    extra.push(
      { key: `${side}KneePole`, name: `${s}_knee_pole`, parent: 'root', position: knee, rotation: IDENTITY },
      { key: `${side}ElbowPole`, name: `${s}_elbow_pole`, parent: 'root', position: elbow, rotation: IDENTITY },
      {
        key: `${side}ShinEnd`,
        name: `${s}_shin_end`,
        parent: `${side}LowerLeg`,
        position: at('Foot'),
        rotation: byKey.get(`${side}LowerLeg`)!.rotation,
        marker: true,
      },
      {
        key: `${side}ArmEnd`,
        name: `${s}_loarm_end`,
        parent: `${side}LowerArm`,
        position: at('Hand'),
        rotation: byKey.get(`${side}LowerArm`)!.rotation,
        marker: true,
      },
    );
  }
  const hand = byKey.get('rightHand')!;
  const grip = add(mixVec(hand.position, byKey.get('rightMiddleProximal')!.position, 0.75), [0, -0.035, 0]);
  extra.push({
    key: 'prop',
    name: 'r_prop_slot',
    parent: 'rightHand',
    position: grip,
    rotation: IDENTITY,
    marker: true,
  });
  const order = [root, ...joints, ...extra];
  return {
    name: 'oriv',
    joints: parentsFirst(order),
    shell: figure.shell,
    armature: METRE_ARMATURE,
    props: [{ name: 'signal_lantern', joint: 'prop', shell: lantern(grip) }],
  };
}

function buildFigureWithTwists(m: Measures): Figure {
  const body = figureJoints(m);
  const twists = SIDES.flatMap((side) =>
    ['UpperLeg', 'LowerArm'].map((limb) => {
      const joint = body.get(side + limb)!;
      return {
        key: `${side}${limb}Twist`,
        parent: joint.key,
        position: mixVec(joint.position, joint.tip, 0.5),
        tip: joint.tip,
      };
    }),
  );
  return buildFigure(
    m,
    {
      leg: (side) => legChain(side).flatMap((key) => (key.endsWith('UpperLeg') ? [key, `${key}Twist`] : [key])),
      arm: (side) => armChain(m, side).flatMap((key) => (key.endsWith('LowerArm') ? [key, `${key}Twist`] : [key])),
    },
    twists,
  );
}

/** A short pole with a paper lantern, hanging down from the grip. */
function lantern(grip: Vec): Shell {
  const shell = new Shell();
  const weigh = rigid('prop');
  const ring = (y: number, r: number, colour: number): Ring => ({
    centre: add(grip, [0, y, 0]),
    u: [r, 0, 0],
    v: [0, 0, r],
    colour,
  });
  shell.loft([ring(0.06, 0.012, 0x5a3a24), ring(-0.16, 0.012, 0x5a3a24)], { sides: 6, weigh });
  shell.loft(
    [
      ring(-0.15, 0.03, 0x5a3a24),
      ring(-0.17, 0.05, 0xf2c14e),
      ring(-0.24, 0.085, 0xf2c14e),
      ring(-0.31, 0.085, 0xf29f4e),
      ring(-0.38, 0.05, 0xf29f4e),
      ring(-0.4, 0.03, 0x5a3a24),
    ],
    { sides: 10, weigh },
  );
  return shell;
}

function parentsFirst(joints: readonly Joint[]): Joint[] {
  const sorted: Joint[] = [];
  const visit = (parent: string | null): void => {
    for (const joint of joints) {
      if (joint.parent !== parent) continue;
      sorted.push(joint);
      visit(joint.key);
    }
  };
  visit(null);
  return sorted;
}

const PIM: Measures = {
  hipY: 0.5,
  hipX: 0.065,
  kneeY: 0.285,
  kneeX: 0.068,
  kneeForward: 0.012,
  ankleY: 0.06,
  ankleX: 0.072,
  ankleZ: -0.012,
  heelZ: -0.055,
  ballZ: 0.07,
  toeZ: 0.125,
  footHalfWidth: 0.04,
  spine: [
    { key: 'hips', y: 0.53, z: 0 },
    { key: 'spine', y: 0.62, z: 0 },
    { key: 'head', y: 0.86, z: 0 },
  ],
  headTop: 1.16,
  collarX: 0.02,
  collarY: 0.8,
  shoulderX: 0.115,
  shoulderY: 0.8,
  upperArm: 0.165,
  forearm: 0.155,
  elbowBack: 0.011,
  hand: 0.1,
  armDown: 0,
  torso: [
    [0.435, 0.07, 0.065, 0],
    [0.465, 0.124, 0.102, 0],
    [0.53, 0.126, 0.102, 0.003],
    [0.6, 0.112, 0.092, 0.004],
    [0.68, 0.112, 0.086, 0.002],
    [0.76, 0.118, 0.08, -0.002],
    [0.81, 0.1, 0.07, -0.004],
    [0.84, 0.05, 0.046, -0.004],
  ],
  torsoColours: [
    [0.54, 0x39506b],
    [3, 0xf0c44c],
  ],
  leg: [
    [0, 0.057],
    [0.3, 0.062],
    [0.62, 0.064],
    [0.66, 0.048],
    [1, 0.043],
    [1.3, 0.043],
    [1.7, 0.036],
    [2, 0.036],
    [2.12, 0.036],
  ],
  legColours: [
    [0.64, 0x39506b],
    [1.6, 0xb97a50],
    [3, 0xf6f1e6],
  ],
  shoeColour: 0xc4472f,
  shoeHeight: 0.07,
  arm: [
    [0, 0.05],
    [0.5, 0.044],
    [0.6, 0.046],
    [0.66, 0.034],
    [1, 0.031],
    [1.5, 0.03],
    [2, 0.025],
    [2.05, 0.025],
  ],
  armColours: [
    [0.63, 0xf0c44c],
    [3, 0xb97a50],
  ],
  neckRadius: 0.038,
  skin: 0xb97a50,
  head: [0.125, 0.148, 0.128],
  toes: false,
  collars: false,
  fingers: 'none',
  palm: [0.017, 0.03],
};

function pim(): Rig {
  const figure = buildFigure(PIM);
  const m = PIM;
  const weigh = rigid('head');
  figure.shell.loft(headRings(m, 0.55, 1, 1.07, 0x4a2c1d, 0.014), { sides: 14, weigh, squareness: 2.2 });
  for (const side of SIDES) {
    const tail = headPoint(m, [1.1, 0.35, -0.45]);
    const place = side === 'left' ? tail : mirror(tail);
    figure.shell.ball(
      place,
      [
        [0, 0.062, 0],
        [0.045, 0, 0],
        [0, 0, 0.045],
      ],
      0x4a2c1d,
      weigh,
      8,
      5,
    );
  }
  const names = {
    hips: 'body',
    spine: 'back',
    head: 'head',
    ...pairNames((side) => {
      const parts = {
        UpperArm: 'armUp',
        LowerArm: 'armLow',
        Hand: 'hand',
        UpperLeg: 'legUp',
        LowerLeg: 'legLow',
        Foot: 'foot',
      };
      return Object.fromEntries(Object.entries(parts).map(([key, name]) => [side + key, name + capital(side)]));
    }),
  };
  const joints = namedJoints(figure, names, () => IDENTITY);
  return { name: 'pim', joints, shell: figure.shell, armature: METRE_ARMATURE, props: [] };
}

export const CHARACTERS: Record<string, () => Rig> = { tamsel, bodge, oriv, pim };
