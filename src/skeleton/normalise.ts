import { mulQuat, quatFromMatrix, rotateVec } from '../math/quat.ts';
import { crossVec, normalizeVec, scaleVec } from '../math/vec.ts';
import { type Clip, clipWith } from './clip.ts';
import type { Skeleton } from './skeleton.ts';
import type { SkinMesh } from './skin.ts';

/**
 * How file space maps to world space (metres, Y up, facing +Z): world = scale · rotation · file + translation.
 */
export interface Placement {
  rotation: [number, number, number, number];
  /** Metres a file unit. */
  scale: number;
  /** Metres, after rotation and scale; moves the floor to y = 0. */
  translation: [number, number, number];
}

/**
 * The placement that brings `up` to +Y, `facing` to +Z, units to metres and the floor to y = 0.
 * @param up, facing  directions in file space; `facing` is made square to `up`
 * @param floor       height of the floor along `up`, in file units
 */
export function placementOf(
  up: ArrayLike<number>,
  facing: ArrayLike<number>,
  metresPerUnit: number,
  floor: number,
): Placement {
  const y = Float64Array.from(up);
  const z = Float64Array.from(facing);
  const x = new Float64Array(3);
  normalizeVec(y, 0);
  crossVec(x, 0, y, 0, z, 0);
  normalizeVec(x, 0);
  crossVec(z, 0, x, 0, y, 0);
  const rotation = new Float64Array(4);
  // The rows of the rotation are the file's left, up and facing.
  quatFromMatrix(rotation, 0, x[0]!, y[0]!, z[0]!, x[1]!, y[1]!, z[1]!, x[2]!, y[2]!, z[2]!);
  return { rotation: quatTuple(rotation), scale: metresPerUnit, translation: [0, -floor * metresPerUnit, 0] };
}

/** The placement that undoes another. */
export function inversePlacement({ rotation, scale, translation }: Placement): Placement {
  const inverse: [number, number, number, number] = [-rotation[0], -rotation[1], -rotation[2], rotation[3]];
  const back = Float64Array.from(translation);
  rotateVec(back, 0, Float64Array.from(inverse), 0, back, 0);
  scaleVec(back, 0, back, 0, -1 / scale);
  return { rotation: inverse, scale: 1 / scale, translation: [back[0]!, back[1]!, back[2]!] };
}

function quatTuple(q: Float64Array): [number, number, number, number] {
  return [q[0]!, q[1]!, q[2]!, q[3]!];
}

/** Brings the point at `o` into the other space; `rotation` is that of the placement. */
export function placePoint(out: Float64Array, o: number, rotation: Float64Array, placement: Placement): void {
  rotateVec(out, o, rotation, 0, out, o);
  scaleVec(out, o, out, o, placement.scale);
  for (let k = 0; k < 3; k++) out[o + k]! += placement.translation[k]!;
}

/** The same skeleton in another space. Only roots turn and shift; everything else is scaled. */
export function placeSkeleton(skeleton: Skeleton, placement: Placement): Skeleton {
  const restRotations = skeleton.restRotations.slice();
  const restTranslations = skeleton.restTranslations.slice();
  const rotation = Float64Array.from(placement.rotation);
  for (let j = 0; j < skeleton.jointCount; j++) {
    if (skeleton.parents[j]! < 0) {
      mulQuat(restRotations, j * 4, rotation, 0, restRotations, j * 4);
      placePoint(restTranslations, j * 3, rotation, placement);
    } else {
      scaleVec(restTranslations, j * 3, restTranslations, j * 3, placement.scale);
    }
  }
  const tips = skeleton.tips.map((tip) => ({
    ...tip,
    offset: [
      tip.offset[0] * placement.scale,
      tip.offset[1] * placement.scale,
      tip.offset[2] * placement.scale,
    ] as const,
  }));
  return { ...skeleton, restRotations, restTranslations, tips };
}

/**
 * The same motion in another space, for `placeSkeleton(skeleton, …)` with the same scale. The input is not touched; its
 * rotations are shared where the placement turns nothing.
 */
export function placeClip(clip: Clip, skeleton: Skeleton, placement: Placement): Clip {
  const turn = Float64Array.from(placement.rotation);
  const rotations = isTurn(placement) ? turnRoots(clip, skeleton, turn) : clip.rotations;
  return clipWith(clip, { rotations, translations: placeTranslations(clip, skeleton, placement, turn) });
}

function isTurn({ rotation: [x, y, z, w] }: Placement): boolean {
  return x !== 0 || y !== 0 || z !== 0 || w !== 1;
}

function turnRoots(clip: Clip, { parents }: Skeleton, turn: Float64Array): Float32Array {
  const rotations = clip.rotations.slice();
  const stride = clip.jointCount * 4;
  const quat = new Float64Array(4);
  for (let j = 0; j < clip.jointCount; j++) {
    if (parents[j]! >= 0) continue;
    for (let at = j * 4; at < rotations.length; at += stride) {
      for (let k = 0; k < 4; k++) quat[k] = rotations[at + k]!;
      mulQuat(quat, 0, turn, 0, quat, 0);
      for (let k = 0; k < 4; k++) rotations[at + k] = quat[k]!;
    }
  }
  return rotations;
}

function placeTranslations(
  { translations: given, translationJoints }: Clip,
  { parents }: Skeleton,
  placement: Placement,
  turn: Float64Array,
): Float32Array {
  const translations = given.slice();
  const stride = translationJoints.length * 3;
  const point = new Float64Array(3);
  for (let m = 0; m < translationJoints.length; m++) {
    const isRoot = parents[translationJoints[m]!]! < 0;
    for (let at = m * 3; at < translations.length; at += stride) {
      for (let k = 0; k < 3; k++) point[k] = translations[at + k]!;
      if (isRoot) placePoint(point, 0, turn, placement);
      else scaleVec(point, 0, point, 0, placement.scale);
      for (let k = 0; k < 3; k++) translations[at + k] = point[k]!;
    }
  }
  return translations;
}

/**
 * The same motion of the same skeleton somewhere else: a root that keeps its rest offset gets translations. The input is not
 * touched.
 */
export function moveClip(clip: Clip, skeleton: Skeleton, placement: Placement): Clip {
  return placeClip(withMovingRoots(clip, skeleton), skeleton, placement);
}

function withMovingRoots(clip: Clip, { parents, restTranslations }: Skeleton): Clip {
  const { translationJoints: moving, frameCount } = clip;
  const all = [...parents.keys()].filter((j) => parents[j]! < 0 || moving.includes(j));
  if (all.length === moving.length) return clip;
  const translations = new Float32Array(frameCount * all.length * 3);
  all.forEach((joint, m) => {
    const known = moving.indexOf(joint);
    for (let f = 0; f < frameCount; f++) {
      const at = (f * moving.length + known) * 3;
      const own =
        known < 0 ? restTranslations.subarray(joint * 3, joint * 3 + 3) : clip.translations.subarray(at, at + 3);
      translations.set(own, (f * all.length + m) * 3);
    }
  });
  return clipWith(clip, { translationJoints: Int16Array.from(all), translations });
}

/** The same mesh bound to `placeSkeleton(skeleton, …)`: the bind transforms carry the scale, the joints the rest. */
export function placeSkin(mesh: SkinMesh, placement: Placement): SkinMesh {
  const bind = mesh.bind.slice();
  for (let i = 0; i < bind.length; i++) bind[i]! *= placement.scale;
  return { ...mesh, bind };
}
