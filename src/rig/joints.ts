import { angleBetweenQuats, mulInverseQuat, mulQuat, rotationBetween } from '../math/quat.ts';
import { crossVec, dotVec, lengthVec, normalizeVec, subVec } from '../math/vec.ts';
import { type Role, sidedRole, sideOf } from '../pairing/roles.ts';
import { LIMB_PARTS, LIMBS } from '../skeleton/limb.ts';
import { SIDES } from '../skeleton/side.ts';
import { childrenOf, isWithin } from '../skeleton/skeleton.ts';
import { roleAbove } from './body-parts.ts';
import { FINDING_RULES, type Finding, type FindingPlace } from './finding.ts';
import { finding, jointPlace } from './report.ts';
import { distance, isDeforming, type RigView } from './view.ts';

const DEGREES = 180 / Math.PI;

/** Where the joints stand, how they hang together and how they are turned. */
export function checkJoints(view: RigView): Finding[] {
  return [
    ...limbChains(view),
    ...armsOffSpine(view),
    ...coincidentJoints(view),
    ...mirroredPositions(view),
    ...mirroredOrientations(view),
    ...bends(view),
  ];
}

function limbChains(view: RigView): Finding[] {
  const { skeleton, roles } = view;
  const torn: FindingPlace[] = [];
  for (const side of SIDES)
    for (const [upper, lower] of [
      ['UpperLeg', 'LowerLeg'],
      ['LowerLeg', 'Foot'],
      ['Foot', 'Toes'],
      ['UpperArm', 'LowerArm'],
      ['LowerArm', 'Hand'],
    ] as const) {
      const above = roles[sidedRole(side, upper)];
      const below = roles[sidedRole(side, lower)];
      if (above === undefined || below === undefined || isWithin(skeleton, above, below)) continue;
      const parent = skeleton.parents[below]!;
      const from = parent < 0 ? 'is a root of its own' : `hangs from "${skeleton.names[parent]}"`;
      torn.push(jointPlace(view, [below], 1, `${from}, not from "${skeleton.names[above]}"`));
    }
  return finding('limb-chain', torn, { value: torn.length });
}

function armsOffSpine(view: RigView): Finding[] {
  const { skeleton, body, roles } = view;
  const chest = body.spineChain[0] ?? roles.spine;
  if (chest === undefined) return [];
  const off = SIDES.flatMap((side) => {
    const arm = roles[sidedRole(side, 'Shoulder')] ?? roles[sidedRole(side, 'UpperArm')];
    return arm === undefined || isWithin(skeleton, chest, arm) ? [] : [jointPlace(view, [arm], 1)];
  });
  return finding('arms-off-spine', off, { value: off.length });
}

/** Joints at one place: parent and child of a chain, or copies in different branches. */
function coincidentJoints(view: RigView): Finding[] {
  const { skeleton, pose, legLength } = view;
  const limit = FINDING_RULES['zero-length-joint'].threshold * legLength;
  const zero: FindingPlace[] = [];
  const copies: FindingPlace[] = [];
  let matters = false;
  const isPlain = (j: number) => view.roleOf[j] !== null || isDeforming(view, j);
  for (let j = 0; j < skeleton.jointCount; j++)
    for (let i = 0; i < j; i++) {
      const apart = distance(pose.positions, i, j);
      if (apart >= limit) continue;
      const isChain = skeleton.parents[j] === i;
      const isSibling = skeleton.parents[j] === skeleton.parents[i];
      // Twist joints begin where their bone begins, and a root may stand at the hips.
      const isHelper = view.helperOf[i] !== null || view.helperOf[j] !== null;
      // A bone that goes on to another joint has its length from that one: a tail may start where the back starts.
      const goesOn = isChain && childrenOf(skeleton, i).some((k) => k !== j && isPlain(k));
      if (isChain && isPlain(i) && isPlain(j) && !isHelper && !goesOn) {
        if (isDeforming(view, i) && isDeforming(view, j)) matters = true;
        zero.push(jointPlace(view, [i, j], apart / legLength));
      } else if (!isChain && !isSibling && !isWithin(skeleton, i, j) && (isPlain(i) || isPlain(j))) {
        copies.push(jointPlace(view, [i, j], apart / legLength));
      }
    }
  return [
    ...finding('zero-length-joint', zero, { severity: matters ? 'warning' : 'note' }),
    ...finding('duplicate-joint', copies),
  ];
}

/** From partner `j` mirrored to where its partner is, m. */
function mirrorGap(view: RigView, left: number, right: number, out: Float64Array): number {
  const { positions } = view.pose;
  out[0] = 2 * view.middle - positions[left * 3]! - positions[right * 3]!;
  out[1] = positions[left * 3 + 1]! - positions[right * 3 + 1]!;
  out[2] = positions[left * 3 + 2]! - positions[right * 3 + 2]!;
  return lengthVec(out, 0);
}

function rolePairs(view: RigView): { role: Role; left: number; right: number }[] {
  const { roles } = view;
  return (Object.keys(roles) as Role[]).flatMap((role) => {
    if (sideOf(role) !== 'left') return [];
    const left = roles[role];
    const right = roles[`right${role.slice(4)}` as Role];
    return left === undefined || right === undefined ? [] : [{ role, left, right }];
  });
}

function mirroredPositions(view: RigView): Finding[] {
  const { legLength, roles } = view;
  const limit = FINDING_RULES['mirror-position'].threshold * legLength;
  const gap = new Float64Array(3);
  const above = new Float64Array(3);
  const off: FindingPlace[] = [];
  for (const { role, left, right } of rolePairs(view)) {
    const apart = mirrorGap(view, left, right, gap);
    if (apart <= limit) continue;
    // What a whole limb is off is told at its first joint.
    const upper = roleAbove(role, (r) => roles[r] !== undefined);
    const upperRight = upper && sideOf(upper) ? roles[`right${upper.slice(4)}` as Role] : undefined;
    if (upper && upperRight !== undefined) {
      mirrorGap(view, roles[upper]!, upperRight, above);
      subVec(above, 0, gap, 0, above, 0);
      if (lengthVec(above, 0) <= limit) continue;
    }
    const odd = stranger(view, left, right);
    const note = `${Math.round(apart * 1000)} mm apart once mirrored`;
    off.push(
      jointPlace(view, odd === null ? [left, right] : [odd, odd === left ? right : left], apart / legLength, note),
    );
  }
  return finding('mirror-position', off);
}

/** Which of two partners is off, judged by its mesh: the one further from the middle of its own skin; null if unclear. */
function stranger(view: RigView, left: number, right: number): number | null {
  const gaps = [left, right].map((j) => {
    let sum = 0;
    let total = 0;
    view.skins.forEach((skin, m) => {
      for (let i = 0; i < skin.weights.length; i++) {
        if (skin.joints[i] !== j || skin.weights[i]! <= 0) continue;
        const v = Math.floor(i / skin.influences);
        sum += skin.weights[i]! * (view.vertices[m]![v * 3 + 1]! - view.pose.positions[j * 3 + 1]!);
        total += skin.weights[i]!;
      }
    });
    return total > 0 ? Math.abs(sum / total) : Number.NaN;
  });
  const [a, b] = gaps as [number, number];
  if (!(Math.abs(a - b) > 0.3 * Math.max(a, b))) return null;
  return a > b ? left : right;
}

const bone = new Float64Array(3);
const otherBone = new Float64Array(3);
const turn = new Float64Array(4);
const mirrored = new Float64Array(4);
const difference = new Float64Array(4);

/**
 * How the axes of each pair differ once one is mirrored: in a sound rig by the same turn of quarter turns all along a
 * limb (nothing, or a half turn about an axis, by the habit of the modelling package). The smaller of two angles counts:
 * as they are, and with the difference of the bones' directions taken out, so that neither a joint that was only moved
 * nor a pose that is not symmetrical is a fault.
 */
function mirroredOrientations(view: RigView): Finding[] {
  const off: FindingPlace[] = [];
  const { rotations } = view.pose;
  const limit = FINDING_RULES['mirror-orientation'].threshold;
  for (const { left, right } of rolePairs(view)) {
    const from = view.segments[left]!;
    const to = view.segments[right]!;
    subVec(bone, 0, from, 3, from, 0);
    subVec(otherBone, 0, to, 3, to, 0);
    bone[0]! *= -1;
    // Reflection in x = 0 turns a rotation (x, y, z, w) into (x, -y, -z, w).
    mirrored.set([
      rotations[left * 4]!,
      -rotations[left * 4 + 1]!,
      -rotations[left * 4 + 2]!,
      rotations[left * 4 + 3]!,
    ]);
    mulInverseQuat(difference, 0, mirrored, 0, rotations, right * 4);
    let degrees = nearestQuarterTurn(difference) * DEGREES;
    if (lengthVec(bone, 0) > 0 && lengthVec(otherBone, 0) > 0) {
      normalizeVec(bone, 0);
      normalizeVec(otherBone, 0);
      rotationBetween(turn, 0, bone, 0, otherBone, 0);
      mulQuat(mirrored, 0, turn, 0, mirrored, 0);
      mulInverseQuat(difference, 0, mirrored, 0, rotations, right * 4);
      degrees = Math.min(degrees, nearestQuarterTurn(difference) * DEGREES);
    }
    if (degrees > limit) off.push(jointPlace(view, [left, right], degrees, `${degrees.toFixed(0)}° off`));
  }
  return finding('mirror-orientation', off);
}

/** The 24 rotations that map the axes onto axes. */
const QUARTER_TURNS: Float64Array[] = [];
for (let k = 0; k < 4; k++) {
  const unit = new Float64Array(4);
  unit[k] = 1;
  QUARTER_TURNS.push(unit);
}
for (let a = 0; a < 4; a++)
  for (let b = a + 1; b < 4; b++)
    for (const sign of [1, -1]) {
      const q = new Float64Array(4);
      q[a] = Math.SQRT1_2;
      q[b] = sign * Math.SQRT1_2;
      QUARTER_TURNS.push(q);
    }
for (const x of [1, -1])
  for (const y of [1, -1]) for (const z of [1, -1]) QUARTER_TURNS.push(Float64Array.of(x / 2, y / 2, z / 2, 0.5));

/** Angle to the nearest rotation that maps the axes onto axes, radians. */
function nearestQuarterTurn(q: Float64Array): number {
  return Math.min(...QUARTER_TURNS.map((turned) => angleBetweenQuats(q, 0, turned, 0)));
}

/**
 * Knees stand out to the front, elbows to the back. The front of a leg is the figure's own; an elbow that stands out
 * down or up (palms to the front, or a rolled arm) is neither right nor wrong.
 */
function bends(view: RigView): Finding[] {
  const { roles, pose } = view;
  const straight = { leg: [] as FindingPlace[], arm: [] as FindingPlace[] };
  const backwards = { leg: [] as FindingPlace[], arm: [] as FindingPlace[] };
  const upper = new Float64Array(3);
  const lower = new Float64Array(3);
  const line = new Float64Array(3);
  const normal = new Float64Array(3);
  for (const limb of LIMBS) {
    const { side, kind, ...parts } = LIMB_PARTS[limb];
    const root = roles[sidedRole(side, parts.upper)];
    const middle = roles[sidedRole(side, parts.lower)];
    const end = roles[sidedRole(side, parts.end)];
    if (root === undefined || middle === undefined || end === undefined) continue;
    subVec(upper, 0, pose.positions, middle * 3, pose.positions, root * 3);
    subVec(lower, 0, pose.positions, end * 3, pose.positions, middle * 3);
    subVec(line, 0, pose.positions, end * 3, pose.positions, root * 3);
    crossVec(normal, 0, upper, 0, lower, 0);
    const degrees = Math.atan2(lengthVec(normal, 0), dotVec(upper, 0, lower, 0)) * DEGREES;
    if (degrees < FINDING_RULES['straight-knee'].threshold) {
      straight[kind].push(jointPlace(view, [middle], degrees, `${degrees.toFixed(2)}° of bend`));
      continue;
    }
    const length2 = dotVec(line, 0, line, 0);
    const along = length2 > 0 ? dotVec(upper, 0, line, 0) / length2 : 0;
    // Where the middle stands out of the line; its part to the front.
    const out = [0, 1, 2].map((k) => upper[k]! - along * line[k]!);
    const ahead = out[2]! / (Math.hypot(...out) || 1);
    const wrong = kind === 'leg' ? -ahead : ahead;
    if (wrong > WRONG_WAY)
      backwards[kind].push(jointPlace(view, [middle], degrees, `bent ${degrees.toFixed(1)}° the wrong way`));
  }
  return [
    ...finding('straight-knee', straight.leg),
    ...finding('straight-elbow', straight.arm),
    ...finding('knee-backwards', backwards.leg),
    ...finding('elbow-backwards', backwards.arm),
  ];
}

/** Cosine from which a bend points the wrong way: within 60 degrees of it. */
const WRONG_WAY = 0.5;
