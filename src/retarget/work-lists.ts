import { LIMB_PARTS, LIMBS } from '../skeleton/limb.ts';
import { BLENDED, DRIVEN, type LimbPlan, REST, type RetargetPlan, TWISTED } from './plan.ts';

/**
 * What of a figure is retargeted: all of it, or what leading the legs or the arms changes, and no more of the rest than
 * carries them. Arms are led to their wrists: hands keep their turn, so that fingers need not be visited.
 */
export type RetargetPart = 'all' | 'legs' | 'arms';

/** Which joints the frame loop visits in which step. All lists have parents first. */
export interface WorkLists {
  /** Source joints whose rotations are needed, and those whose positions are: pelvis, limbs and what carries them. */
  srcTurned: Int16Array;
  srcPlaced: Int16Array;
  /** Target joints that are driven by one source joint, and those that are blended from several. */
  driven: Int16Array;
  /** Sorted so that joints of the same blend stand together; `isNewBlend` is 1 for the first of them. */
  blended: Int16Array;
  isNewBlend: Uint8Array;
  /** Target joints that are settled before the limbs are solved: trunk, and the limbs' own joints. */
  before: Int16Array;
  /** The limbs that are led, and whether hand or foot is turned to its target too. */
  limbs: LimbPlan[];
  turnsEnd: Uint8Array;
  /** For each limb the joints that are settled after it, and those below its toes. */
  below: Int16Array[];
  belowToes: Int16Array[];
  /** Target joints whose local rotation changes from frame to frame; of a part, because its limbs are led. */
  written: Int16Array;
  /** Indices into `plan.translationJoints` of those whose translation is written. */
  moved: Int16Array;
  /** Target joints whose local rotation never changes: they keep that of the rest pose. */
  still: Int16Array;
}

/**
 * A joint at rest under the joint that carries it in the file too has the same local rotation in every frame. Where
 * everything below it is like that as well (fingers that the performer does not move, hair, props) it is left out of all
 * lists but `still`.
 */
export function workLists(plan: RetargetPlan, part: RetargetPart = 'all'): WorkLists {
  const known = made.get(plan) ?? {};
  made.set(plan, known);
  known[part] ??= makeLists(plan, part);
  return known[part];
}

/** A plan serves many clips: its lists are made once. */
const made = new WeakMap<RetargetPlan, Partial<Record<RetargetPart, WorkLists>>>();

function makeLists(plan: RetargetPlan, part: RetargetPart): WorkLists {
  const { source, target, kinds, solveParents, order } = plan;
  const { parents, jointCount } = target.skeleton;
  const limbs = limbsOf(plan, part);
  const led = new Set([plan.dstHips, ...plan.translationJoints]);
  for (const { dstUpper, dstLower, dstEnd, dstToes } of plan.limbs) {
    for (const j of [dstUpper, dstLower, dstEnd, dstToes]) led.add(j);
  }
  const isStill = (j: number): boolean => kinds[j] === REST && solveParents[j] === parents[j] && !led.has(j);
  const joints = Int16Array.from({ length: jointCount }, (_, j) => j);
  const changing = joints.filter((j) => !isStill(j));
  const turnsEnd = Uint8Array.from(limbs, ({ endHeld }) => (endHeld || part === 'arms' ? 0 : 1));
  const { turned, placed } = part === 'all' ? everything(jointCount) : changedBy(plan, limbs, turnsEnd);
  const written = changing.filter((j) => turned[j] || turned[parents[j]!]);
  const moved = plan.translationJoints
    .map((_, m) => m)
    .filter((m) => {
      const j = plan.translationJoints[m]!;
      return placed[j] || placed[parents[j]!] || turned[parents[j]!];
    });

  const needed = new Uint8Array(jointCount);
  const path = new Uint8Array(jointCount);
  for (const j of [plan.dstHips, ...written, ...moved.map((m) => plan.translationJoints[m]!)]) {
    markUp(needed, solveParents, j);
    markUp(needed, solveParents, parents[j]!);
  }
  for (const { dstUpper, dstLower, dstEnd, dstToes } of limbs) {
    for (const j of [dstUpper, dstLower, dstEnd]) markUp(path, solveParents, j);
    for (const j of [dstUpper, dstLower, dstEnd, dstToes]) markUp(needed, solveParents, j);
  }
  for (const { joint, inner, outer, carrier } of plan.twists) {
    if (!needed[joint]) continue;
    for (const j of [inner, outer, carrier]) markUp(needed, solveParents, j);
  }
  const isBelow = new Uint8Array(jointCount);
  for (const { below } of limbs) for (const j of below) isBelow[j] = 1;

  const driversOf = (j: number): Int16Array =>
    plan.driverJoints.subarray(plan.driverStarts[j]!, plan.driverStarts[j + 1]!);
  const blendOf = (j: number): string =>
    `${driversOf(j)} ${plan.driverWeights.subarray(plan.driverStarts[j]!, plan.driverStarts[j + 1]!)}`;
  const onlyNeeded = (list: Int16Array): Int16Array => list.filter((j) => needed[j]);
  const driven = joints.filter((j) => needed[j] && kinds[j] === DRIVEN);
  const blended = [...joints]
    .filter((j) => needed[j] && kinds[j] === BLENDED)
    .sort((a, b) => (blendOf(a) < blendOf(b) ? -1 : 1));

  const srcPlaced = new Uint8Array(source.skeleton.jointCount);
  for (const j of plan.srcPelvis) markUp(srcPlaced, source.skeleton.parents, j);
  for (const { srcUpper, srcLower, srcEnd } of limbs) {
    for (const j of [srcUpper, srcLower, srcEnd]) markUp(srcPlaced, source.skeleton.parents, j);
  }
  const srcTurned = srcPlaced.slice();
  for (const j of [...driven, ...blended]) {
    for (const driver of driversOf(j)) markUp(srcTurned, source.skeleton.parents, driver);
  }
  return {
    srcTurned: plan.srcNeeded.filter((j) => srcTurned[j]),
    srcPlaced: plan.srcNeeded.filter((j) => srcPlaced[j]),
    driven,
    blended: Int16Array.from(blended),
    isNewBlend: Uint8Array.from(blended, (j, i) => (i > 0 && blendOf(j) === blendOf(blended[i - 1]!) ? 0 : 1)),
    before: order.filter((j) => needed[j] && (!isBelow[j] || path[j])),
    limbs,
    turnsEnd,
    below: limbs.map(({ below }) => onlyNeeded(below)),
    belowToes: limbs.map(({ belowToes }) => onlyNeeded(belowToes)),
    written,
    moved,
    still: joints.filter(isStill),
  };
}

function limbsOf({ limbs }: RetargetPlan, part: RetargetPart): LimbPlan[] {
  if (part === 'all') return limbs;
  return limbs.filter(({ limb }) => LIMB_PARTS[LIMBS[limb]!].kind === (part === 'legs' ? 'leg' : 'arm'));
}

interface Changes {
  /** Target joints whose world rotation changes, and those whose position does. */
  turned: Uint8Array;
  placed: Uint8Array;
}

function everything(jointCount: number): Changes {
  return { turned: new Uint8Array(jointCount).fill(1), placed: new Uint8Array(jointCount).fill(1) };
}

/** What leading some limbs changes. */
function changedBy(
  { kinds, solveParents, target }: RetargetPlan,
  limbs: readonly LimbPlan[],
  turnsEnd: Uint8Array,
): Changes {
  const turned = new Uint8Array(target.skeleton.jointCount);
  const placed = new Uint8Array(target.skeleton.jointCount);
  limbs.forEach(({ dstUpper, dstLower, dstEnd, dstToes, below }, i) => {
    turned[dstUpper] = 1;
    turned[dstLower] = 1;
    if (dstEnd >= 0) turned[dstEnd] = turnsEnd[i]!;
    if (dstToes >= 0) turned[dstToes] = 1;
    for (const j of below) {
      placed[j] = 1;
      if (kinds[j] === TWISTED || (kinds[j] === REST && turned[solveParents[j]!])) turned[j] = 1;
    }
  });
  return { turned, placed };
}

/** Marks a joint and all above it. -1 marks nothing. */
function markUp(marks: Uint8Array, parents: Int16Array, joint: number): void {
  for (let j = joint; j >= 0 && !marks[j]; j = parents[j]!) marks[j] = 1;
}
