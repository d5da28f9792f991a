import { invertAffine, mulAffine, transformPoint } from '../math/affine.ts';
import { lengthVec, subVec } from '../math/vec.ts';
import { restWorldPose } from '../skeleton/skeleton.ts';
import { FINDING_RULES, type Finding, type FindingPlace } from './finding.ts';
import { finding, jointPlace } from './report.ts';
import { meshToWorld, type RigView } from './view.ts';

const DEGREES = 180 / Math.PI;

/** How the character stands in its file: floor, facing, scales, and the pose in which it was bound. */
export function checkPlacement(view: RigView): Finding[] {
  return [...floor(view), ...facing(view), ...scales(view), ...bindPoses(view)];
}

function floor(view: RigView): Finding[] {
  const { roles } = view;
  const { frame, humanoid } = view.body;
  if (!humanoid || view.skins.length === 0) return [];
  const height = frame.floor * frame.metresPerUnit;
  const off = Math.abs(height) / view.legLength;
  if (off <= FINDING_RULES['floor-height'].threshold) return [];
  const feet = [roles.leftFoot, roles.rightFoot].filter((joint) => joint !== undefined);
  const note = `soles ${height < 0 ? 'below' : 'above'} the floor by ${Math.abs(frame.floor).toPrecision(3)} units`;
  return finding('floor-height', [jointPlace(view, feet, off, note)]);
}

function facing(view: RigView): Finding[] {
  const { roles } = view;
  const { frame, humanoid } = view.body;
  if (!humanoid || frame.unsure.includes('facing')) return [];
  const along = Math.max(...frame.facing.map(Math.abs));
  const degrees = Math.acos(Math.min(1, along)) * DEGREES;
  const hips = roles.hips === undefined ? [] : [roles.hips];
  if (degrees > FINDING_RULES.facing.threshold)
    return finding('facing', [jointPlace(view, hips, degrees, `${degrees.toFixed(1)}° off the nearest axis`)]);
  const { front } = view.facts;
  const cos = front[0] * frame.facing[0] + front[1] * frame.facing[1] + front[2] * frame.facing[2];
  const turned = Math.acos(Math.max(-1, Math.min(1, cos))) * DEGREES;
  if (turned <= FINDING_RULES['facing-axis'].threshold) return [];
  return finding('facing-axis', [
    jointPlace(view, hips, turned, `${turned.toFixed(0)}° away from the front of the format`),
  ]);
}

function scales(view: RigView): Finding[] {
  const negative: FindingPlace[] = [];
  const uneven: FindingPlace[] = [];
  for (const { node, joint, scale } of view.facts.scales) {
    const sizes = scale.map(Math.abs);
    const ratio = Math.max(...sizes) / Math.min(...sizes);
    const place = (value: number): FindingPlace => ({
      ...jointPlace(
        view,
        joint >= 0 ? [joint] : [],
        value,
        `${joint >= 0 ? '' : `node "${node}" above the joints, `}scale ${scale.map((x) => Number(x.toPrecision(4))).join(', ')}`,
      ),
    });
    if (Math.min(...scale) < 0) negative.push(place(Math.min(...scale)));
    if (ratio > FINDING_RULES['uneven-scale'].threshold) uneven.push(place(Number.isFinite(ratio) ? ratio : 1e9));
  }
  return [...finding('negative-scale', negative), ...finding('uneven-scale', uneven)];
}

/** More joints than this stand for a whole pose and are not named one by one. */
const MOST_NAMED = 8;
/** Share of a skin's joints that have to agree on where the mesh is, for the others to be wrong. */
const AGREEING = 0.8;

/**
 * In the pose in which it was bound, every joint of a skin takes the mesh to the same place: world · bind is one matrix.
 * At node rest a single joint that takes it elsewhere is bound wrongly; where many do, node rest is another pose.
 */
function bindPoses(view: RigView): Finding[] {
  const { skins, legLength, facts, skeleton } = view;
  const pose = facts.nodeRest ? restWorldPose(facts.nodeRest) : view.pose;
  const wrong: FindingPlace[] = [];
  const posed: FindingPlace[] = [];
  skins.forEach((skin) => {
    const matrices = meshToWorld(skin, pose);
    const bound = jointsOf(skin.bind).filter((j) => view.weightOf[j]! > 0);
    if (bound.length < 2) return;
    const apart = (a: number, b: number): number => gapBetween(matrices, a, matrices, b, pose.positions, a, legLength);
    let best = bound[0]!;
    let most = 0;
    const limit = FINDING_RULES['inverse-bind'].threshold;
    for (const j of bound) {
      const count = bound.filter((i) => apart(i, j) <= limit).length;
      if (count > most) {
        most = count;
        best = j;
      }
    }
    const strangers = bound.filter((j) => apart(j, best) > limit);
    // Turned about its own place, seen from the joint above: it was posed. Shifted: it is bound elsewhere.
    const isShifted = (j: number): boolean => {
      let above = skeleton.parents[j]!;
      while (above >= 0 && !bound.includes(above)) above = skeleton.parents[above]!;
      const from = above >= 0 ? above : best;
      return shiftBetween(matrices, from, j, pose.positions, j) / legLength > limit;
    };
    const isPosed = most < AGREEING * bound.length;
    const shifted = isPosed ? [] : strangers.filter(isShifted);
    for (const j of shifted) {
      const gap = apart(j, best);
      wrong.push({ ...jointPlace(view, [j], gap, `${Math.round(gap * legLength * 1000)} mm off`), mesh: skin.name });
    }
    const turned = strangers.filter((j) => !shifted.includes(j));
    if (turned.length > 0) {
      const note = `${turned.length} of ${bound.length} joints stand elsewhere`;
      const named = turned.length <= MOST_NAMED ? turned : [];
      posed.push({ ...jointPlace(view, named, turned.length / bound.length, note), mesh: skin.name });
    }
  });
  return [
    ...finding('inverse-bind', wrong),
    ...finding('bind-spaces', skinsApart(view)),
    ...finding('rest-not-bind', posed),
  ];
}

/** Skeleton joints that a skin binds. */
function jointsOf(bind: Float64Array): number[] {
  const joints: number[] = [];
  for (let j = 0; j < bind.length / 12; j++)
    if (bind.subarray(j * 12, j * 12 + 12).some((x) => x !== 0)) joints.push(j);
  return joints;
}

const inverse = new Float64Array(12);
const source = new Float64Array(3);
const moved = new Float64Array(3);
/** Points around a joint by which two matrices are compared, shares of leg length. */
const PROBES = [
  [0, 0, 0],
  [0.1, 0, 0],
  [0, 0.1, 0],
  [0, 0, 0.1],
];

/** How far the matrix of `j` takes joint `at` from where that of `i` has it, m. */
function shiftBetween(matrices: Float64Array, i: number, j: number, positions: Float64Array, at: number): number {
  if (invertAffine(inverse, 0, matrices, i * 12) === 0) return 0;
  transformPoint(moved, 0, inverse, 0, positions, at * 3);
  transformPoint(moved, 0, matrices, j * 12, moved, 0);
  subVec(moved, 0, moved, 0, positions, at * 3);
  return lengthVec(moved, 0);
}

/** How far apart matrices a[i] and b[j] put what a[i] puts around joint `at`, as a share of leg length. */
function gapBetween(
  a: Float64Array,
  i: number,
  b: Float64Array,
  j: number,
  positions: Float64Array,
  at: number,
  legLength: number,
): number {
  if (invertAffine(inverse, 0, a, i * 12) === 0) return 0;
  let most = 0;
  for (const probe of PROBES) {
    for (let k = 0; k < 3; k++) source[k] = positions[at * 3 + k]! + probe[k]! * legLength;
    transformPoint(moved, 0, inverse, 0, source, 0);
    transformPoint(moved, 0, b, j * 12, moved, 0);
    subVec(moved, 0, moved, 0, source, 0);
    most = Math.max(most, lengthVec(moved, 0));
  }
  return most / legLength;
}

/** Each matrix times the inverse of that of `joint`: what is left when the mesh's own space is taken out. */
function relativeTo(matrices: Float64Array, joint: number): Float64Array {
  const out = new Float64Array(matrices.length);
  invertAffine(inverse, 0, matrices, joint * 12);
  const back = inverse.slice();
  for (let j = 0; j < matrices.length / 12; j++) mulAffine(out, j * 12, matrices, j * 12, back, 0);
  return out;
}

/**
 * The same joint bound in two skins: where it stood in each, seen from a joint that both bind. Mesh spaces may differ as
 * a whole, so only what differs from joint to joint counts.
 */
function skinsApart(view: RigView): FindingPlace[] {
  const { legLength } = view;
  const places: FindingPlace[] = [];
  const limit = FINDING_RULES['bind-spaces'].threshold;
  const poses = view.skins.map((skin) => ({ joints: jointsOf(skin.bind), matrices: meshToWorld(skin, view.pose) }));
  for (let b = 1; b < poses.length; b++) {
    const other = poses[b]!;
    // The first skin that shares most joints with this one.
    let base = -1;
    let shared: number[] = [];
    for (let a = 0; a < b; a++) {
      const common = other.joints.filter((j) => poses[a]!.joints.includes(j) && view.weightOf[j]! > 0);
      if (common.length > shared.length) {
        base = a;
        shared = common;
      }
    }
    if (base < 0 || shared.length < 2) continue;
    const own = relativeTo(poses[base]!.matrices, shared[0]!);
    const its = relativeTo(other.matrices, shared[0]!);
    const gaps = shared.map((j) => ({ j, gap: gapBetween(own, j, its, j, view.pose.positions, j, legLength) }));
    const worst = gaps.sort((x, y) => y.gap - x.gap)[0]!;
    if (worst.gap <= limit) continue;
    const off = gaps.filter(({ gap }) => gap > limit).map(({ j }) => j);
    places.push({
      ...jointPlace(
        view,
        off,
        worst.gap,
        `against ${view.skins[base]!.name}: ${Math.round(worst.gap * legLength * 1000)} mm at most`,
      ),
      mesh: view.skins[b]!.name,
    });
  }
  return places;
}
