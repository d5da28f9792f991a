import type { Role } from '../pairing/roles.ts';
import type { BodyPart } from './body-parts.ts';

/**
 * How bad a finding is. fault: something will look wrong or break in the engine; warning: it will make trouble in some
 * tools or motions; note: worth knowing, nothing has to be done.
 */
export type Severity = 'fault' | 'warning' | 'note';

/** One place of a finding. */
export interface FindingPlace {
  /** Joint names as in the file. */
  joints: string[];
  /** Roles of those joints, where they have one. */
  roles: Role[];
  /** Node name of the mesh; null where the finding is in the joints alone. */
  mesh: string | null;
  /**
   * Runs of vertices, first and last of each, as the mesh counts them: its primitives one behind the other, those that
   * share their vertices once.
   */
  vertices: [number, number][];
  vertexCount: number;
  /** What was measured here, in the unit of the finding. */
  value: number;
  /** What is special here, in a few words; may be empty. */
  note: string;
  /** Frames of the exercise clip, first and last; null for what the rest pose shows. */
  frames: [number, number] | null;
}

/** One thing that an audit found, in the artist's words. Plain data. */
export interface Finding {
  id: FindingId;
  severity: Severity;
  title: string;
  /** What it leads to. */
  meaning: string;
  /** Worst first. */
  where: FindingPlace[];
  /** The worst that was measured. */
  value: number;
  unit: Unit;
  threshold: number;
  /** Why the threshold is where it is, with its source. */
  reason: string;
  /** What to do in the modelling package. */
  remedy: string;
  parts: BodyPart[];
}

export type Unit = 'm' | 'share of leg length' | 'degrees' | 'count' | 'weight' | 'ratio' | 'share';

export type FindingId = keyof typeof FINDING_RULES;

interface Rule {
  severity: Severity;
  /** How much it matters among those of its severity, 0 to 1. */
  rank: number;
  title: string;
  meaning: string;
  unit: Unit;
  threshold: number;
  reason: string;
  remedy: string;
}

const rule = (rule: Rule): Rule => rule;

/** Everything that an audit can find. */
export const FINDING_RULES = {
  'no-weight': rule({
    severity: 'fault',
    rank: 1,
    title: 'Vertices belong to no joint',
    meaning: 'They stay behind, or jump to the origin, as soon as the character moves.',
    unit: 'count',
    threshold: 0,
    reason: 'glTF 2.0, section 3.7.3.3: a vertex is placed by its weights alone; without any it has no place',
    remedy:
      'Select the vertices and assign them to the joint they lie on, or take over the weights of their neighbours.',
  }),
  'negative-weight': rule({
    severity: 'fault',
    rank: 0.95,
    title: 'Vertices have negative weights',
    meaning:
      'The vertex moves away from where the joint takes its surroundings. Engines clamp such weights, each in its own way.',
    unit: 'weight',
    threshold: 0,
    reason: 'glTF 2.0, section 3.7.3.3: weights must not be negative',
    remedy: 'Set negative weights to zero and normalise the weights of these vertices.',
  }),
  'weight-sum': rule({
    severity: 'fault',
    rank: 0.9,
    title: 'Weights do not sum to 1',
    meaning: 'Where a viewer does not divide by the sum, these vertices are drawn towards the origin.',
    unit: 'weight',
    threshold: 0.01,
    reason:
      'glTF 2.0, section 3.7.3.3, asks for a sum as close to 1 as the format allows; one hundredth is what 8-bit weights of four influences may be off (4 × 1/510, rounded up)',
    remedy: 'Normalise the weights of all vertices.',
  }),
  'control-weight': rule({
    severity: 'fault',
    rank: 0.85,
    title: 'A control or pole target carries skin',
    meaning:
      'Part of the mesh hangs on a joint that only steers the rig: it stays behind, or is torn along when the control is moved.',
    unit: 'count',
    threshold: 0,
    reason: 'a control has no weight, whatever its amount; common practice, no source',
    remedy: 'Move this weight to the joint the skin lies on, and switch off deforming for the control.',
  }),
  bleed: rule({
    severity: 'fault',
    rank: 0.8,
    title: 'A joint drags skin that is far from it',
    meaning: 'When this joint moves, skin elsewhere on the body moves with it.',
    unit: 'weight',
    threshold: 0.05,
    reason: 'a twentieth of the movement is where a drag is seen; common practice, no source',
    remedy: 'Remove the weight of this joint from the vertices named and normalise the rest.',
  }),
  'inverse-bind': rule({
    severity: 'fault',
    rank: 0.78,
    title: 'A joint is bound at another place than where it stands',
    meaning:
      'The inverse bind matrix of this joint disagrees with the rest of the skin: its part of the mesh is displaced in the rest pose.',
    unit: 'share of leg length',
    threshold: 0.01,
    reason: 'a hundredth of the leg is about 1 cm on a grown person: it is seen; common practice, no source',
    remedy: 'Put the joint where it was bound, or bind the mesh to the armature again in its rest pose.',
  }),
  'bind-spaces': rule({
    severity: 'note',
    rank: 0.5,
    title: 'Meshes of one character were bound to slightly different skeletons',
    meaning:
      'The same joint is bound at different places in two skins: at their seam the meshes stand apart, or were bound at different times.',
    unit: 'share of leg length',
    threshold: 0.002,
    reason: 'two thousandths of the leg is a gap of 2 mm on a grown person; common practice, no source',
    remedy: 'Bind all meshes of the character in the same pose, together.',
  }),
  'negative-scale': rule({
    severity: 'fault',
    rank: 0.75,
    title: 'A joint is mirrored by a negative scale',
    meaning:
      'Rotations below it run the other way round; engines that allow rotation and translation only turn the limb inside out.',
    unit: 'ratio',
    threshold: 0,
    reason: 'common practice, no source: a scale is positive',
    remedy: 'Apply the scale, and mirror the joints by their names and positions instead.',
  }),
  'uneven-scale': rule({
    severity: 'fault',
    rank: 0.7,
    title: 'A joint is scaled unevenly',
    meaning: 'What hangs below it is sheared as soon as it turns.',
    unit: 'ratio',
    threshold: 1.01,
    reason: 'one per cent between two axes; below that it is rounding of exporters; common practice, no source',
    remedy: 'Apply the scale to the armature, and bind the mesh again.',
  }),
  'joint-outside-mesh': rule({
    severity: 'fault',
    rank: 0.65,
    title: 'A joint lies outside of the mesh',
    meaning: 'The body turns about a point that is not inside it: the skin swings around instead of bending.',
    unit: 'share of leg length',
    threshold: 0.02,
    reason:
      'outside by winding number (below one half; Jacobson, Kavan & Sorkine-Hornung 2013, Robust inside-outside segmentation), and further from the surface than two hundredths of the leg, about 2 cm on a grown person; the distance is common practice, no source',
    remedy: 'Move the joint into the middle of the limb it turns.',
  }),
  'knee-backwards': rule({
    severity: 'fault',
    rank: 0.74,
    title: 'A knee is bent the wrong way',
    meaning:
      'In the rest pose the knee stands behind the line from hip to ankle: a solver will break the leg backwards.',
    unit: 'degrees',
    threshold: 0.5,
    reason: 'half a degree is well above the rounding of files; common practice, no source',
    remedy: 'Move the knee joint a little to the front.',
  }),
  'elbow-backwards': rule({
    severity: 'fault',
    rank: 0.73,
    title: 'An elbow is bent the wrong way',
    meaning:
      'In the rest pose the elbow stands in front of the line from shoulder to wrist: a solver will break the arm forwards.',
    unit: 'degrees',
    threshold: 0.5,
    reason: 'half a degree is well above the rounding of files; common practice, no source',
    remedy: 'Move the elbow joint a little to the back.',
  }),
  'straight-knee': rule({
    severity: 'warning',
    rank: 0.9,
    title: 'A knee is dead straight',
    meaning: 'Nothing in the rest pose tells a solver which way the leg bends: some pick the wrong one.',
    unit: 'degrees',
    threshold: 0.5,
    reason: 'common practice asks for a slight bend, no source; below half a degree the direction is lost in rounding',
    remedy: 'Move the knee joint a little to the front: a degree or two of bend is enough.',
  }),
  'straight-elbow': rule({
    severity: 'warning',
    rank: 0.88,
    title: 'An elbow is dead straight',
    meaning: 'Nothing in the rest pose tells a solver which way the arm bends: some pick the wrong one.',
    unit: 'degrees',
    threshold: 0.5,
    reason: 'common practice asks for a slight bend, no source; below half a degree the direction is lost in rounding',
    remedy: 'Move the elbow joint a little to the back: a degree or two of bend is enough.',
  }),
  'limb-chain': rule({
    severity: 'warning',
    rank: 1,
    title: 'A limb is not one chain of joints',
    meaning:
      'The lower part does not hang from the upper one: it stays behind unless it gets keys of its own, and engines that retarget by rotation tear it off.',
    unit: 'count',
    threshold: 0,
    reason: 'VRM 1.0 (humanoid.md) asks that each bone descends from its parent bone',
    remedy:
      'Parent the joint to the part of the limb above it in the exported skeleton; keep the control out of the export.',
  }),
  'arms-off-spine': rule({
    severity: 'warning',
    rank: 0.6,
    title: 'The arms do not hang from the spine',
    meaning: 'When the chest turns or bends, the arms stay where they are.',
    unit: 'count',
    threshold: 0,
    reason: 'VRM 1.0 (humanoid.md): shoulders descend from the chest',
    remedy: 'Parent the collar bones, or the upper arms, to the chest.',
  }),
  'zero-length-joint': rule({
    severity: 'warning',
    rank: 0.7,
    title: 'Two joints of one chain stand at the same place',
    meaning:
      'The bone between them has no length and no direction; one of the two does nothing that the other could not do.',
    unit: 'share of leg length',
    threshold: 0.001,
    reason: 'a thousandth of the leg, 1 mm on a grown person; common practice, no source',
    remedy: 'Move the joints apart, or remove one of them.',
  }),
  'duplicate-joint': rule({
    severity: 'note',
    rank: 0.4,
    title: 'Joints stand on top of each other',
    meaning:
      'Copies of a chain (for control, for deforming) were exported together; a tool may pick the one that moves nothing.',
    unit: 'share of leg length',
    threshold: 0.001,
    reason: 'a thousandth of the leg, 1 mm on a grown person; common practice, no source',
    remedy: 'Export the deforming joints only.',
  }),
  'idle-joint': rule({
    severity: 'warning',
    rank: 0.65,
    title: 'A joint of the body moves no skin',
    meaning: 'It can be animated, but nothing is seen of it.',
    unit: 'count',
    threshold: 0,
    reason: 'no vertex follows it',
    remedy: 'Give the joint the skin that it should move, or leave it out of the skin.',
  }),
  'many-influences': rule({
    severity: 'warning',
    rank: 0.75,
    title: 'Vertices follow more than four joints',
    meaning: 'Most engines keep four influences a vertex and drop the rest, which dents the skin there.',
    unit: 'count',
    threshold: 4,
    reason: 'glTF 2.0, section 3.7.3.3: only one set of four influences has to be supported',
    remedy: 'Limit the weights to four a vertex and normalise them.',
  }),
  'weight-mirror': rule({
    severity: 'warning',
    rank: 0.5,
    title: 'Left and right are weighted differently',
    meaning:
      'The mesh is its own mirror image here, but the weights are not: the two sides deform differently in the same pose.',
    unit: 'weight',
    threshold: 0.1,
    reason:
      'a tenth of the weight on other joints is where two sides begin to look different; common practice, no source',
    remedy: 'Mirror the weights from the better side to the other.',
  }),
  'mirror-position': rule({
    severity: 'warning',
    rank: 0.85,
    title: 'Left and right joints do not mirror each other',
    meaning: 'The same motion looks different on the two sides, and solvers reach differently far.',
    unit: 'share of leg length',
    threshold: 0.015,
    reason: 'fifteen thousandths of the leg is about 1.5 cm on a grown person; common practice, no source',
    remedy: 'Mirror the joint positions from the better side to the other, then bind again.',
  }),
  'mirror-orientation': rule({
    severity: 'warning',
    rank: 0.6,
    title: 'Left and right joints are turned differently in the rest pose',
    meaning:
      'Their axes are not mirror images: a rotation that is copied to the other side turns the limb about another axis.',
    unit: 'degrees',
    threshold: 15,
    reason:
      'judged after mirroring and after the way in which the rig mirrors its axes elsewhere; 15 degrees is more than hand-made rigs vary; by trial, no source',
    remedy: 'Recalculate the roll of this joint as on the other side.',
  }),
  'side-name-style': rule({
    severity: 'warning',
    rank: 0.45,
    title: 'Sides are spelled in different ways',
    meaning: 'Tools that find a partner by exchanging the side in the name do not find this one.',
    unit: 'count',
    threshold: 0,
    reason: 'one way of spelling in one rig; common practice, no source',
    remedy: 'Rename the joint in the way that the others are named.',
  }),
  'side-name-partner': rule({
    severity: 'warning',
    rank: 0.55,
    title: 'A joint with a side in its name has no partner on the other side',
    meaning: 'Mirroring poses or weights by name skips it.',
    unit: 'count',
    threshold: 0,
    reason: 'each left joint has its right one; common practice, no source',
    remedy: 'Name the two joints alike but for the side, or add the joint that is missing.',
  }),
  'side-name-wrong': rule({
    severity: 'fault',
    rank: 0.6,
    title: 'A joint is named for the wrong side',
    meaning: 'By its place it belongs to the other side: what is animated by name goes to the wrong limb.',
    unit: 'count',
    threshold: 0,
    reason: "left and right are the character's own",
    remedy: 'Exchange the names of the two sides, in the weights too.',
  }),
  'floor-height': rule({
    severity: 'warning',
    rank: 0.5,
    title: 'The feet are not on the floor',
    meaning:
      'In the rest pose the lowest point of the character is above or below height zero: it floats or sinks where an engine puts it on the ground.',
    unit: 'share of leg length',
    threshold: 0.03,
    reason:
      'three hundredths of the leg, about 2.5 cm on a grown person, the height of a heel; common practice, no source',
    remedy: 'Move the whole character so that its soles are at height zero, and apply the transform.',
  }),
  facing: rule({
    severity: 'warning',
    rank: 0.4,
    title: 'The character does not look along an axis',
    meaning: 'It walks off at an angle wherever its front is taken for granted.',
    unit: 'degrees',
    threshold: 1,
    reason: 'one degree; hand-placed rigs are exact or far off; common practice, no source',
    remedy: 'Turn the whole character to look along +Z in glTF, and apply the rotation.',
  }),
  'facing-axis': rule({
    severity: 'note',
    rank: 0.3,
    title: 'The character does not look along +Z',
    meaning: 'glTF takes +Z for the front: viewers show this character from the side or from behind.',
    unit: 'degrees',
    threshold: 1,
    reason: 'glTF 2.0, section 3.4: the front of an asset faces +Z (VRM 0.x: -Z)',
    remedy: 'Turn the whole character to look along +Z, and apply the rotation.',
  }),
  'rest-not-bind': rule({
    severity: 'note',
    rank: 0.35,
    title: 'The rest pose in the file is not the pose the mesh was bound in',
    meaning:
      'The file stands in another pose when no animation plays; the pose for binding is in the inverse bind matrices.',
    unit: 'share',
    threshold: 0,
    reason:
      'counted are joints that stand, or take their skin, more than a hundredth of the leg from where they were bound; common practice, no source',
    remedy:
      'Set the armature back to its rest pose before exporting, if tools that read only node transforms are to be used.',
  }),
  'skin-stretch': rule({
    severity: 'warning',
    rank: 0.8,
    title: 'Skin tears in the exercise',
    meaning:
      'In the exercise clip this part of the mesh becomes much longer than it was modelled: 98 % of its edges, by length, stay below the ratio given.',
    unit: 'ratio',
    threshold: 3,
    reason:
      'linear blend skinning doubles edges at a bent knee or a raised shoulder; three times looks torn; common practice, no source. Joint angles are the published ranges (AAOS; Soucie et al. 2011), for animation, not for medical use',
    remedy: 'Smooth the weights there, and take away influences of joints that are far off.',
  }),
  'skin-collapse': rule({
    severity: 'warning',
    rank: 0.78,
    title: 'A joint collapses in the exercise',
    meaning: 'Around this joint the mesh loses much of its volume when it bends: the limb looks pinched.',
    unit: 'share',
    threshold: 0.65,
    reason:
      'linear blend skinning is known to lose volume at bent and twisted joints; beyond two thirds of it a limb looks pinched; common practice, no source. Joint angles are the published ranges (AAOS; Soucie et al. 2011), for animation, not for medical use',
    remedy:
      'Spread the weights at the joint over a longer stretch of the limb, or add a helper joint that turns by half.',
  }),
  'self-penetration': rule({
    severity: 'note',
    rank: 0.6,
    title: 'Parts of the body pass into each other in the exercise',
    meaning:
      'A hand, forearm, shin or foot lies inside another part of the body in an ordinary posture: motion of a slimmer performer will do the same.',
    unit: 'share of leg length',
    threshold: 0.03,
    reason: 'three hundredths of the leg, about 2.5 cm on a grown person; common practice, no source',
    remedy: 'Nothing has to be mended; keep arms and legs further apart when motion is put onto this character.',
  }),
} as const;
