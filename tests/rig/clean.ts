import { makeFaulty } from '../../samples/faulty.ts';
import { auditInput } from '../../src/convert/audit.ts';
import type { Character } from '../../src/formats/gltf/character.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { invertAffine, mulAffine, rigidAffine } from '../../src/math/affine.ts';
import { axisAngleQuat, mulInverseQuat, mulQuat, rotateVecInverse } from '../../src/math/quat.ts';
import type { Role } from '../../src/pairing/roles.ts';
import { type Audit, type AuditInput, auditRig, type Finding } from '../../src/rig/audit.ts';
import { restWorldPose, type Skeleton, type WorldPose } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';

export async function characterOf(ids: readonly string[]): Promise<Character> {
  const { glb } = await makeFaulty(ids);
  return readCharacter(parseContainer(glb, 'sample.glb'));
}

/** The clean sample, ready to be audited; each test changes a copy. */
export async function cleanInput(): Promise<AuditInput> {
  return auditInput(await characterOf([]));
}

/** The audit without the exercise: what the rest pose shows. */
export function still(input: AuditInput): Audit {
  return auditRig(input, { exercise: false });
}

export function found(audit: Audit, id: string): Finding | undefined {
  return audit.findings.find((finding) => finding.id === id);
}

export const namesIn = (finding: Finding | undefined): string[] =>
  finding ? [...new Set(finding.where.flatMap(({ joints }) => joints))].sort() : [];

export function jointOf(input: AuditInput, role: Role): number {
  return input.body.roles[role]!;
}

/** The same skeleton with some joints moved or turned in world space; all others, and the mesh, stay where they are. */
export function changed(input: AuditInput, change: (pose: WorldPose) => void): AuditInput {
  const { skeleton } = input;
  const before = restWorldPose(skeleton);
  const pose: WorldPose = { rotations: before.rotations.slice(), positions: before.positions.slice() };
  change(pose);
  return { ...input, skeleton: posed(skeleton, pose), skins: input.skins.map((skin) => rebound(skin, before, pose)) };
}

export function moved(input: AuditInput, role: Role, by: readonly [number, number, number]): AuditInput {
  return changed(input, ({ positions }) => {
    for (let k = 0; k < 3; k++) positions[jointOf(input, role) * 3 + k]! += by[k]!;
  });
}

export function turned(
  input: AuditInput,
  role: Role,
  axis: readonly [number, number, number],
  degrees: number,
): AuditInput {
  return changed(input, ({ rotations }) => {
    const turn = new Float64Array(4);
    axisAngleQuat(turn, 0, ...axis, (degrees * Math.PI) / 180);
    const at = jointOf(input, role) * 4;
    mulQuat(rotations, at, turn, 0, rotations, at);
  });
}

/** A skeleton with this world pose as its rest pose. */
export function posed(skeleton: Skeleton, { rotations, positions }: WorldPose): Skeleton {
  const restRotations = skeleton.restRotations.slice();
  const restTranslations = skeleton.restTranslations.slice();
  for (let j = 0; j < skeleton.jointCount; j++) {
    const p = skeleton.parents[j]!;
    if (p < 0) {
      restRotations.set(rotations.subarray(j * 4, j * 4 + 4), j * 4);
      restTranslations.set(positions.subarray(j * 3, j * 3 + 3), j * 3);
      continue;
    }
    mulInverseQuat(restRotations, j * 4, rotations, p * 4, rotations, j * 4);
    const offset = Float64Array.from([0, 1, 2], (k) => positions[j * 3 + k]! - positions[p * 3 + k]!);
    rotateVecInverse(restTranslations, j * 3, rotations, p * 4, offset, 0);
  }
  return { ...skeleton, restRotations, restTranslations };
}

/** The mesh bound anew, so that it stands still though joints do not. */
function rebound(skin: SkinMesh, before: WorldPose, after: WorldPose): SkinMesh {
  const bind = skin.bind.slice();
  const was = new Float64Array(12);
  const is = new Float64Array(12);
  const inverse = new Float64Array(12);
  const matrix = new Float64Array(12);
  for (let j = 0; j < bind.length / 12; j++) {
    rigidAffine(was, 0, before.rotations, j * 4, before.positions, j * 3);
    rigidAffine(is, 0, after.rotations, j * 4, after.positions, j * 3);
    invertAffine(inverse, 0, is, 0);
    mulAffine(matrix, 0, was, 0, skin.bind, j * 12);
    mulAffine(bind, j * 12, inverse, 0, matrix, 0);
  }
  return { ...skin, bind };
}
