import type { Note } from '../errors.ts';
import type { Role, RoleMap } from './roles.ts';

/** Why a joint was given a role, and how sure that is. */
export interface RoleReading {
  role: Role;
  joint: number;
  /** 0 to 1. Below `SURE` a person should look. */
  confidence: number;
  /** Sentences, strongest first: `name "LeftUpLeg": left, upper, leg`. */
  evidence: string[];
}

/** From this confidence up a reading needs no look. */
export const SURE = 0.75;

/** How a figure stands in the space of its file, and how large it is. Directions are unit vectors in file space. */
export interface BodyFrame {
  up: [number, number, number];
  facing: [number, number, number];
  /** File units to metres. */
  metresPerUnit: number;
  /** Standing height, file units, as far as joints, tips and mesh go. */
  height: number;
  /** Height of the floor along `up`, file units: the lowest point of the reference pose, or of the motion for a clip. */
  floor: number;
  /** One sentence a measure: how each was found and what speaks against it. */
  evidence: { up: string; facing: string; metresPerUnit: string; height: string; floor: string };
  /** Measures that geometry does not settle; a person may be asked (`--up`, `--facing`, `--unit`). */
  unsure: ('up' | 'facing' | 'metresPerUnit')[];
}

/** A joint that no role claims but that a retarget has to know. */
export interface HelperJoint {
  joint: number;
  /**
   * twist: shares the twist of `of` (`share` 0…1 of it, at the near end 0); pole: a pole target of an IK solver;
   * control: another IK control or duplicate; prop: a weapon slot or the like; extra: hair, ears, tail, cloth, face.
   */
  kind: 'twist' | 'pole' | 'control' | 'prop' | 'extra';
  of?: Role;
  share?: number;
}

/** A skeleton read as a body: the result of pairing for one figure. Joint indices are those of its skeleton. */
export interface Body {
  humanoid: boolean;
  /** One sentence: why it is taken for a humanoid, or why not. */
  reason: string;
  readings: Partial<Record<Role, RoleReading>>;
  roles: RoleMap;
  /**
   * Joints from the one above the hips' legs to the one that carries neck and arms, without the hips: the spine, in
   * order, with those that have no role of their own. Likewise from above the spine to the head, head excluded.
   */
  spineChain: number[];
  neckChain: number[];
  helpers: HelperJoint[];
  frame: BodyFrame;
  /** The clip frame whose pose the frame and the roles were read from, where the zero pose is no posture; else null. */
  poseFrame?: number | null;
  notes: Note[];
}
