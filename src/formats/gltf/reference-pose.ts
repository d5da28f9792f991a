import type { Note } from '../../errors.ts';
import { invertAffine, mulAffine } from '../../math/affine.ts';
import { mulInverseQuat, mulQuat, quatFromMatrix, rotateVec, rotateVecInverse } from '../../math/quat.ts';
import { addVec, distanceVec, subVec } from '../../math/vec.ts';
import type { LocalPose } from '../../skeleton/clip.ts';
import { createWorldPose, forwardKinematics, type WorldPose } from '../../skeleton/skeleton.ts';
import type { GltfContainer } from './container.ts';
import type { NodeBinding } from './node-binding.ts';
import type { NodeTree } from './nodes.ts';
import { extentOf } from './tracks.ts';

/** One skin with its inverse bind matrices as affines. */
export interface SkinBinding {
  index: number;
  /** Skeleton joint of each entry of the skin. */
  joints: Int32Array;
  /** Inverse bind matrices, entries × 12; null where the file has none (they are then identities). */
  inverseBind: Float64Array | null;
  /** Nodes of the scene that show a mesh with this skin. */
  meshNodes: number[];
}

/** How far a bind pose may be off node rest and still count as the same: share of the size, and radians. */
const SAME_POSITION = 1e-3;
const SAME_ANGLE = 0.01;
/**
 * A space fitted to one joint agrees with that joint by construction. It is taken only where every stated space is off
 * by more than a figure moves when it crouches or steps aside: wrong ones are off by a quarter turn or a factor of two.
 */
const FITTED_HANDICAP = 0.25;

/**
 * The pose in which the mesh was bound, as local rotations and offsets: null where no skin has bind matrices.
 *
 * Inverse bind matrices lead from mesh space to joint space, and mesh space can be anything, since a skinned mesh's own
 * node transform is not applied when it is drawn (glTF 2.0, section 3.7.3.3). So the space is found by evidence: mesh
 * space is tried as world space, as the space of the mesh node, as the space above the topmost joint, and, at a
 * handicap, as the one that puts the topmost joint where it is at node rest. The one taken is that in which joints lie
 * nearest to node rest (median distance) and are as far from their parents (median ratio); most joints of the trunk
 * hardly move from one pose to another, while a wrong space is off by a quarter turn or a factor of 100.
 *
 * Where skins disagree, the pose that most of them share is taken; the others fill in joints that it lacks. A joint
 * without bind matrix keeps its place relative to its parent.
 */
export function readBindPose(
  container: GltfContainer,
  tree: NodeTree,
  binding: NodeBinding,
  parents: Int16Array,
  nodeRest: LocalPose,
  skins: readonly SkinBinding[],
  notes: Note[],
): LocalPose | null {
  const jointCount = parents.length;
  const rest = createWorldPose(jointCount);
  forwardKinematics(parents, nodeRest.rotations, nodeRest.translations, rest);
  const size = extentOf(rest.positions, 3) || 1;
  const worlds = skins
    .filter((skin) => skin.inverseBind !== null)
    .map((skin) => bindWorld(tree, binding, parents, rest, size, skin));
  if (worlds.length === 0) return null;
  const supporters = worlds.map((a) => worlds.filter((b) => disagreement(a, b) <= SAME_POSITION * size).length);
  let base = 0;
  for (let k = 1; k < worlds.length; k++) {
    const better = supporters[k]! > supporters[base]!;
    const equal = supporters[k] === supporters[base];
    if (better || (equal && worlds[k]!.joints.length > worlds[base]!.joints.length)) base = k;
  }
  worlds.forEach((other, k) => {
    const apart = disagreement(worlds[base]!, other);
    if (k === base || apart <= SAME_POSITION * size) return;
    notes.push({
      code: 'GLTF_BIND_SPACES_DIFFER',
      severity: 'info',
      message: `Skin ${other.index} was bound ${apart.toPrecision(2)} units away from skin ${worlds[base]!.index}, in the median of their common joints. The bind pose is read from skin ${worlds[base]!.index}.`,
      place: { file: container.name, pointer: `/skins/${other.index}/inverseBindMatrices` },
    });
  });
  const defined = new Uint8Array(jointCount);
  const bind = createWorldPose(jointCount);
  const bySupport = worlds.map((_, k) => k).sort((a, b) => Number(b === base) - Number(a === base) || a - b);
  for (const k of bySupport) {
    const world = worlds[k]!;
    for (const j of world.joints) {
      if (defined[j] || !world.defined[j]) continue;
      defined[j] = 1;
      bind.rotations.set(world.rotations.subarray(j * 4, j * 4 + 4), j * 4);
      bind.positions.set(world.positions.subarray(j * 3, j * 3 + 3), j * 3);
    }
  }
  return toLocal(bind, defined, parents, nodeRest);
}

interface BindWorld extends WorldPose {
  index: number;
  joints: Int32Array;
  /** One a skeleton joint. */
  defined: Uint8Array;
}

function bindWorld(
  tree: NodeTree,
  binding: NodeBinding,
  parents: Int16Array,
  rest: WorldPose,
  size: number,
  skin: SkinBinding,
): BindWorld {
  const { joints, index } = skin;
  const inverseBind = skin.inverseBind!;
  const inSkinSpace = new Float64Array(joints.length * 12);
  const defined = new Uint8Array(parents.length);
  const entryOf = new Int32Array(parents.length).fill(-1);
  let top = -1;
  for (let e = 0; e < joints.length; e++) {
    const j = joints[e]!;
    if (invertAffine(inSkinSpace, e * 12, inverseBind, e * 12) === 0) continue;
    if (defined[j]) continue;
    defined[j] = 1;
    entryOf[j] = e;
    if (top < 0 || j < joints[top]!) top = e;
  }
  const spaces: { space: Float64Array; handicap: number }[] = [];
  const identity = Float64Array.of(1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0);
  for (const node of skin.meshNodes) {
    spaces.push({ space: tree.worlds.slice(node * 12, node * 12 + 12), handicap: 0 });
  }
  spaces.push({ space: identity, handicap: 0 });
  if (top >= 0) {
    const node = binding.nodes[joints[top]!]!;
    const parent = tree.parents[node]!;
    if (parent >= 0) spaces.push({ space: tree.worlds.slice(parent * 12, parent * 12 + 12), handicap: 0 });
    const fitted = new Float64Array(12);
    mulAffine(fitted, 0, tree.worlds, node * 12, inverseBind, top * 12);
    spaces.push({ space: fitted, handicap: FITTED_HANDICAP });
  }
  const positionsIn = (space: Float64Array): Float64Array => {
    const positions = new Float64Array(parents.length * 3);
    const world = new Float64Array(12);
    for (let j = 0; j < parents.length; j++) {
      if (!defined[j]) continue;
      mulAffine(world, 0, space, 0, inSkinSpace, entryOf[j]! * 12);
      for (let k = 0; k < 3; k++) positions[j * 3 + k] = world[k * 4 + 3]!;
    }
    return positions;
  };
  let best = spaces[0]!;
  let bestCost = Number.POSITIVE_INFINITY;
  for (const candidate of spaces) {
    const cost = candidate.handicap + spaceCost(positionsIn(candidate.space), rest.positions, defined, parents, size);
    // Spaces that are equal in fact differ by rounding: the first of them is kept.
    if (cost < bestCost - 1e-6) {
      best = candidate;
      bestCost = cost;
    }
  }
  const rotations = new Float64Array(parents.length * 4);
  const world = new Float64Array(12);
  const inverseRemainder = new Float64Array(12);
  const turn = new Float64Array(12);
  for (let j = 0; j < parents.length; j++) {
    if (!defined[j]) continue;
    mulAffine(world, 0, best.space, 0, inSkinSpace, entryOf[j]! * 12);
    if (invertAffine(inverseRemainder, 0, binding.remainders, j * 12) === 0) {
      defined[j] = 0;
      continue;
    }
    mulAffine(turn, 0, world, 0, inverseRemainder, 0);
    rotationOf(turn, rotations, j * 4);
  }
  return { index, joints, defined, rotations, positions: positionsIn(best.space) };
}

/** The rotation nearest to an affine that is one but for rounding and a uniform scale; a mirror is undone first. */
function rotationOf(m: Float64Array, out: Float64Array, o: number): void {
  const x = [m[0]!, m[4]!, m[8]!];
  const y = [m[1]!, m[5]!, m[9]!];
  const z = [m[2]!, m[6]!, m[10]!];
  const determinant =
    x[0]! * (y[1]! * z[2]! - y[2]! * z[1]!) -
    x[1]! * (y[0]! * z[2]! - y[2]! * z[0]!) +
    x[2]! * (y[0]! * z[1]! - y[1]! * z[0]!);
  const sign = determinant < 0 ? -1 : 1;
  for (const column of [x, y, z]) {
    const length = sign * (Math.hypot(...column) || 1);
    for (let k = 0; k < 3; k++) column[k]! /= length;
  }
  quatFromMatrix(out, o, x[0]!, x[1]!, x[2]!, y[0]!, y[1]!, y[2]!, z[0]!, z[1]!, z[2]!);
}

function spaceCost(
  positions: Float64Array,
  rest: Float64Array,
  defined: Uint8Array,
  parents: Int16Array,
  size: number,
): number {
  const distances: number[] = [];
  const ratios: number[] = [];
  for (let j = 0; j < parents.length; j++) {
    if (!defined[j]) continue;
    distances.push(distanceVec(positions, j * 3, rest, j * 3) / size);
    const p = parents[j]!;
    if (p < 0 || !defined[p]) continue;
    const length = distanceVec(rest, j * 3, rest, p * 3);
    if (length > 1e-4 * size) ratios.push(distanceVec(positions, j * 3, positions, p * 3) / length);
  }
  const ratio = ratios.length > 0 ? median(ratios) : 1;
  return median(distances) + Math.abs(Math.log(Math.max(ratio, 1e-9)));
}

function median(values: number[]): number {
  if (values.length === 0) return 0;
  values.sort((a, b) => a - b);
  return values[values.length >> 1]!;
}

function disagreement(a: BindWorld, b: BindWorld): number {
  const distances: number[] = [];
  for (const j of a.joints) {
    if (a.defined[j] && b.defined[j]) distances.push(distanceVec(a.positions, j * 3, b.positions, j * 3));
  }
  return median(distances);
}

/** World to local, parents before children; joints that are not defined keep their local rest. */
function toLocal(world: WorldPose, defined: Uint8Array, parents: Int16Array, nodeRest: LocalPose): LocalPose {
  const local = { rotations: nodeRest.rotations.slice(), translations: nodeRest.translations.slice() };
  const { rotations, positions } = world;
  for (let j = 0; j < parents.length; j++) {
    const p = parents[j]!;
    if (!defined[j]) {
      if (p < 0) {
        rotations.set(local.rotations.subarray(j * 4, j * 4 + 4), j * 4);
        positions.set(local.translations.subarray(j * 3, j * 3 + 3), j * 3);
      } else {
        mulQuat(rotations, j * 4, rotations, p * 4, local.rotations, j * 4);
        rotateVec(positions, j * 3, rotations, p * 4, local.translations, j * 3);
        addVec(positions, j * 3, positions, j * 3, positions, p * 3);
      }
    } else if (p < 0) {
      local.rotations.set(rotations.subarray(j * 4, j * 4 + 4), j * 4);
      local.translations.set(positions.subarray(j * 3, j * 3 + 3), j * 3);
    } else {
      mulInverseQuat(local.rotations, j * 4, rotations, p * 4, rotations, j * 4);
      subVec(local.translations, j * 3, positions, j * 3, positions, p * 3);
      rotateVecInverse(local.translations, j * 3, rotations, p * 4, local.translations, j * 3);
    }
  }
  return local;
}

/** Whether two poses show the same posture: no joint further apart than a thousandth of the size or half a degree. */
export function samePose(parents: Int16Array, a: LocalPose, b: LocalPose): boolean {
  const worldA = createWorldPose(parents.length);
  const worldB = createWorldPose(parents.length);
  forwardKinematics(parents, a.rotations, a.translations, worldA);
  forwardKinematics(parents, b.rotations, b.translations, worldB);
  const size = extentOf(worldA.positions, 3) || 1;
  for (let j = 0; j < parents.length; j++) {
    if (distanceVec(worldA.positions, j * 3, worldB.positions, j * 3) > SAME_POSITION * size) return false;
    const turn = new Float64Array(4);
    mulInverseQuat(turn, 0, worldA.rotations, j * 4, worldB.rotations, j * 4);
    if (2 * Math.hypot(turn[0]!, turn[1]!, turn[2]!) > SAME_ANGLE) return false;
  }
  return true;
}

/** How much a pose looks like a T, from positions alone. */
export interface PostureMeasure {
  /** Width across the plane of symmetry, and height, both as a share of the size common to all candidates. */
  width: number;
  height: number;
  /** Mean distance of a mirrored joint from the nearest joint, as a share of the same size. */
  asymmetry: number;
  /** width + height − ASYMMETRY_WEIGHT × asymmetry, for the better of the two upright planes of symmetry. */
  score: number;
}

/** One hundredth of the size off symmetry outweighs four hundredths of width. */
const ASYMMETRY_WEIGHT = 4;
const MEASURED_JOINTS = 256;

/**
 * Of all postures that a body takes, the T is as tall and as wide as it gets at once, and is its own mirror image. No
 * role has to be known for that. Y is up, as in every glTF file; the plane of symmetry is x or z = its median.
 * @param size  the length that counts as 1, the same for all candidates
 */
export function measurePosture(positions: Float64Array, size: number): PostureMeasure {
  const count = positions.length / 3;
  const step = Math.max(1, Math.ceil(count / MEASURED_JOINTS));
  const extent = (axis: number): number => {
    let low = Number.POSITIVE_INFINITY;
    let high = Number.NEGATIVE_INFINITY;
    for (let j = 0; j < count; j++) {
      low = Math.min(low, positions[j * 3 + axis]!);
      high = Math.max(high, positions[j * 3 + axis]!);
    }
    return (high - low) / size;
  };
  const height = extent(1);
  const mirror = new Float64Array(3);
  const measures = [0, 2].map((axis) => {
    const middle = median(Array.from({ length: count }, (_, j) => positions[j * 3 + axis]!));
    let sum = 0;
    let measured = 0;
    for (let j = 0; j < count; j += step) {
      for (let k = 0; k < 3; k++) mirror[k] = positions[j * 3 + k]!;
      mirror[axis] = 2 * middle - mirror[axis]!;
      let nearest = Number.POSITIVE_INFINITY;
      for (let i = 0; i < count; i += step) nearest = Math.min(nearest, distanceVec(mirror, 0, positions, i * 3));
      sum += nearest;
      measured++;
    }
    const width = extent(axis);
    const asymmetry = sum / measured / size;
    return { width, height, asymmetry, score: width + height - ASYMMETRY_WEIGHT * asymmetry };
  });
  return measures[0]!.score >= measures[1]!.score ? measures[0]! : measures[1]!;
}
