import { BLENDED, DRIVEN, REST, type RetargetPlan } from './plan.ts';

/** Which joints the frame loop visits in which step. All lists have parents first. */
export interface WorkLists {
  /** Source joints whose positions are needed: pelvis, limbs and what carries them. Rotations: `plan.srcNeeded`. */
  srcPlaced: Int16Array;
  /** Target joints that are driven by one source joint, and those that are blended from two. */
  driven: Int16Array;
  /** Sorted so that joints of the same blend stand together; `isNewBlend` is 1 for the first of them. */
  blended: Int16Array;
  isNewBlend: Uint8Array;
  /** Target joints that are settled before the limbs are solved: trunk, and the limbs' own joints. */
  before: Int16Array;
  /** For each limb the joints that are settled after it, and those below its toes. */
  below: Int16Array[];
  belowToes: Int16Array[];
  /** Target joints whose local rotation changes from frame to frame. */
  written: Int16Array;
  /** Target joints whose local rotation never changes: they keep that of the rest pose. */
  still: Int16Array;
}

/**
 * A joint at rest under the joint that carries it in the file too has the same local rotation in every frame. Where
 * everything below it is like that as well (fingers that the performer does not move, hair, props) it is left out of all
 * lists but `still`.
 */
export function workLists(plan: RetargetPlan): WorkLists {
  const known = made.get(plan);
  if (known) return known;
  const lists = makeLists(plan);
  made.set(plan, lists);
  return lists;
}

/** A plan serves many clips: its lists are made once. */
const made = new WeakMap<RetargetPlan, WorkLists>();

function makeLists(plan: RetargetPlan): WorkLists {
  const { source, target, kinds, solveParents, order, limbs } = plan;
  const { parents, jointCount } = target.skeleton;
  const led = new Set([plan.dstHips, ...plan.translationJoints]);
  for (const { dstUpper, dstLower, dstEnd, dstToes } of limbs) {
    for (const j of [dstUpper, dstLower, dstEnd, dstToes]) led.add(j);
  }
  const isStill = (j: number): boolean => kinds[j] === REST && solveParents[j] === parents[j] && !led.has(j);

  const needed = new Uint8Array(jointCount);
  const path = new Uint8Array(jointCount);
  for (let j = 0; j < jointCount; j++) {
    if (isStill(j)) continue;
    markUp(needed, solveParents, j);
    markUp(needed, solveParents, parents[j]!);
  }
  for (const { inner, outer, carrier } of plan.twists) {
    for (const j of [inner, outer, carrier]) markUp(needed, solveParents, j);
  }
  const isBelow = new Uint8Array(jointCount);
  for (const { dstUpper, dstLower, dstEnd, below } of limbs) {
    for (const j of below) isBelow[j] = 1;
    for (const j of [dstUpper, dstLower, dstEnd]) markUp(path, solveParents, j);
  }

  const placed = new Uint8Array(source.skeleton.jointCount);
  for (const j of plan.srcPelvis) markUp(placed, source.skeleton.parents, j);
  for (const { srcUpper, srcLower, srcEnd } of limbs) {
    for (const j of [srcUpper, srcLower, srcEnd]) markUp(placed, source.skeleton.parents, j);
  }
  const joints = Int16Array.from({ length: jointCount }, (_, j) => j);
  const blendOf = (j: number): string => `${plan.driverA[j]} ${plan.driverB[j]} ${plan.driverT[j]}`;
  const blended = [...joints].filter((j) => kinds[j] === BLENDED).sort((a, b) => (blendOf(a) < blendOf(b) ? -1 : 1));
  const onlyNeeded = (list: Int16Array): Int16Array => list.filter((j) => needed[j]);
  return {
    srcPlaced: plan.srcNeeded.filter((j) => placed[j]),
    driven: joints.filter((j) => kinds[j] === DRIVEN),
    blended: Int16Array.from(blended),
    isNewBlend: Uint8Array.from(blended, (j, i) => (i > 0 && blendOf(j) === blendOf(blended[i - 1]!) ? 0 : 1)),
    before: order.filter((j) => needed[j] && (!isBelow[j] || path[j])),
    below: limbs.map(({ below }) => onlyNeeded(below)),
    belowToes: limbs.map(({ belowToes }) => onlyNeeded(belowToes)),
    written: joints.filter((j) => !isStill(j)),
    still: joints.filter(isStill),
  };
}

/** Marks a joint and all above it. -1 marks nothing. */
function markUp(marks: Uint8Array, parents: Int16Array, joint: number): void {
  for (let j = joint; j >= 0 && !marks[j]; j = parents[j]!) marks[j] = 1;
}
