import type { RoleMap } from '../../src/pairing/roles.ts';
import type { ProofFigure } from '../../src/proof/measure.ts';
import { createClip } from '../../src/skeleton/clip.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { bipedRows, skeletonFrom } from './biped.ts';
import { axisAngle } from './quat.ts';

/** Frames a second. */
export const FPS = 60;
/** A person of the tests: shoulder, upper arm and forearm; metres. */
export const SHOULDER = [0.17, 1.4] as const;
export const [UPPER, LOWER] = [0.28, 0.25] as const;

interface Change {
  skin?: (figure: ProofFigure) => SkinMesh[];
  /** How far behind its usual place the hips joint is. */
  hips?: number;
}

/** The left wrist where it is told in each frame, seen from the front; elbow out. The other arm is spread, the body stands. */
export function reaching(
  frames: number,
  wrist: (t: number) => readonly [number, number],
  change: Change = {},
): ProofFigure {
  const rows = bipedRows().map(([name, parent, [x, y, z]]) => {
    return [name, parent, [x, y, name === 'hips' ? z - (change.hips ?? 0) : z]] as const;
  });
  const skeleton = skeletonFrom(rows.map((row) => [...row]));
  const roles: RoleMap = Object.fromEntries(skeleton.names.map((name, j) => [name, j]));
  const clip = createClip('reach', frames, 1 / FPS, skeleton.jointCount, [roles.hips!]);
  for (let f = 0; f < frames; f++) {
    for (let j = 0; j < skeleton.jointCount; j++) clip.rotations[(f * skeleton.jointCount + j) * 4 + 3] = 1;
    clip.translations.set(skeleton.restTranslations.subarray(roles.hips! * 3, roles.hips! * 3 + 3), f * 3);
    const [x, y] = wrist(f / FPS);
    const [dx, dy] = [x - SHOULDER[0], y - SHOULDER[1]];
    const far = Math.hypot(dx, dy);
    // Law of cosines; a straight arm where it is out of reach by rounding.
    const inner = (a: number, b: number, c: number): number =>
      Math.acos(Math.min(1, (a * a + b * b - c * c) / (2 * a * b)));
    const upper = Math.atan2(dy, dx) + (dy > 0 ? -1 : 1) * inner(UPPER, far, LOWER);
    const lower = Math.atan2(dy - UPPER * Math.sin(upper), dx - UPPER * Math.cos(upper));
    const turn = (joint: number, angle: number): void =>
      clip.rotations.set(axisAngle(0, 0, 1, angle), (f * skeleton.jointCount + joint) * 4);
    turn(roles.leftUpperArm!, upper);
    turn(roles.leftLowerArm!, lower - upper);
  }
  const figure: ProofFigure = { skeleton, clip, roles };
  return change.skin ? { ...figure, skins: change.skin(figure) } : figure;
}
