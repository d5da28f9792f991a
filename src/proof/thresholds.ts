/** Lengths are shares of the target's leg length, angles degrees. */
export type Unit = 'leg length' | 'degree' | 'frame' | 'joint' | 'limb' | 'ratio' | 'share';

export interface MeasureRule {
  title: string;
  meaning: string;
  unit: Unit;
  /** The largest value that passes. */
  threshold: number;
  reason: string;
  remedy: string;
}

const NO_SOURCE = 'Common practice, no published source';

/**
 * Every measure with its threshold, in the order of a report. The figures are for animation, not for medical use.
 */
export const MEASURE_RULES = {
  'plant-drift': {
    title: 'Plant drift',
    meaning: 'How far a standing heel or ball is from the spot on which it stands, in 95 of 100 contact frames.',
    unit: 'leg length',
    threshold: 0.002,
    reason: `${NO_SOURCE}: 0.2 % is under 2 mm on an adult, less than a pixel on a figure that fills a 1080-line picture.`,
    remedy:
      'If the motion was made without contact, make it with contact. Else look at the foot named here in the rig: the shoe has to follow the joints that are paired as foot and toes, and no other.',
  },
  'plant-travel': {
    title: 'Plant travel',
    meaning: 'The longest way a heel or ball slides over the floor within one contact.',
    unit: 'leg length',
    threshold: 0.005,
    reason: `${NO_SOURCE}: 0.5 % is 4 mm on an adult, where sliding begins to be seen at normal viewing distance.`,
    remedy:
      'Look at the contact named here. If the leg is at full stretch there, the legs of the rig are too short for this step: allow limbs to stretch a little (--allow-stretch 5), or lengthen them. Else check which joints are paired as foot and toes.',
  },
  'foot-roll-slip': {
    title: 'Foot-roll slip',
    meaning:
      'How far the point that carries the foot slides while the foot rolls: heel before the ball is down, ball after the heel is up.',
    unit: 'leg length',
    threshold: 0.005,
    reason: `${NO_SOURCE}: the same bound as a standing foot, since the carrying point is a pivot.`,
    remedy:
      'If plant drift fails as well, mend that first. Else the foot turns about the wrong point: in the rig, put the toes joint at the ball of the foot and the foot joint at the ankle, and weight the sole to these two.',
  },
  penetration: {
    title: 'Penetration',
    meaning: 'How far heel, ball or toe goes below the floor at its deepest.',
    unit: 'leg length',
    threshold: 0.005,
    reason: `${NO_SOURCE}: 0.5 % is 4 mm on an adult, hidden by the sole of a shoe.`,
    remedy:
      'In the rig, let the character stand on its soles at height zero in the rest pose, both feet alike, toes joints at the balls of the feet. Else compare the floor that rigproof inspect shows for the clip with where the performer stands.',
  },
  float: {
    title: 'Float',
    meaning: 'How high the lowest point of a foot in contact hovers above the floor, in 95 of 100 contact frames.',
    unit: 'leg length',
    threshold: 0.01,
    reason: `${NO_SOURCE}: 1 % is 8 mm on an adult, where a gap of light begins to show under a shoe.`,
    remedy:
      'In the rig, look at the lowest vertices of the shoes: a stray one below the sole lifts the whole figure, and so does one shoe that is lower than the other. Else compare the floor that rigproof inspect shows for the clip with where the performer stands.',
  },
  'body-penetration': {
    title: 'Knees, seat and hands in the floor',
    meaning: "How far the lowest skin of a knee, the seat or a hand goes below the floor, where the source's does not.",
    unit: 'leg length',
    threshold: 0.01,
    reason: `${NO_SOURCE}: 1 % is 8 mm on an adult, by which flesh gives way where it bears weight; deeper it looks cut off.`,
    remedy:
      'If the motion was made without contact, make it with contact, and with hands. Else look at the vertex named here: a stray one below the knee, or clothes that hang from it, go into the floor first. Long arms on short legs do as well: correct their posture in the mapping.',
  },
  'body-float': {
    title: 'Knees and seat over the floor',
    meaning:
      'How high the lowest skin of a knee or of the seat hovers above the floor while it rests there in the source, in 95 of 100 such frames.',
    unit: 'leg length',
    threshold: 0.01,
    reason: `${NO_SOURCE}: the same bound as a standing foot, where a gap of light begins to show.`,
    remedy:
      'If the motion was made without contact, make it with contact. Else look at the knee or seat named here in the rig: its skin has to follow thigh and shin, or the hips, and the joint has to sit inside it.',
  },
  'limb-target-feet': {
    title: 'Feet reach',
    meaning:
      'Distance of a swinging ankle from its scaled target: own hip + own leg length / source leg length × (source ankle − source hip), in 95 of 100 frames in which the foot neither stands, nor is low and slow in the source, nor lies behind a knee on the floor.',
    unit: 'leg length',
    threshold: 0.05,
    reason: `${NO_SOURCE}: a swinging foot may leave its target to meet the plants before and after it; 5 % is 4 cm on an adult. What the foot is longer than the source's, against the leg, is taken off first: a long foot that rolls over its toes carries the ankle away by as much, and a stiff one that stands on its front end by what that is farther from the ankle than the source's ball.`,
    remedy:
      'Retarget once without contact (--no-contact): if it passes then, plants move the pelvis or the foot here, which short, wide-set legs and long feet need. Else check which joints are paired as thigh, shin and foot, and their rest pose.',
  },
  'limb-target-hands': {
    title: 'Hands reach',
    meaning:
      'Distance of a wrist from its scaled target: own shoulder + own arm length / source arm length × (source wrist − source shoulder), in 95 of 100 frames in which the hand does not rest on anything; where that would be in the floor, from the place on the floor above it.',
    unit: 'leg length',
    threshold: 0.03,
    reason: `${NO_SOURCE}: 3 % is 2.5 cm on an adult, less than the width of a hand.`,
    remedy:
      'Check which joints are paired as upper arm, lower arm and hand (twist joints are easily taken for an elbow), and their rest pose; a correction of it goes into the mapping.',
  },
  'self-contact': {
    title: 'Self-contact',
    meaning:
      'Where a hand of the source rests on the other hand, the head, the hips or a knee: how much farther from it the hand is on the target, seen from the skin of head and hips, and beyond what larger hands account for, in 95 of 100 such frames. Hands that pass by, and arms that hang down beside the hips, are left out.',
    unit: 'leg length',
    threshold: 0.08,
    reason: `${NO_SOURCE}: 8 % is 7 cm on an adult, less than a hand is broad. A source without a mesh counts as a person of its height, whose skin is known to a few centimetres.`,
    remedy:
      'If the motion was made without hand contacts (--no-hand-contact), make it with them. Where the arm is stretched out it is too short to get there: let it grow (--allow-stretch 5). Where it is folded up it is too long, or its shoulder too near: only other proportions help. Else look at which joints are paired as hand, head and thighs, and at the rest pose of the arms.',
  },
  'sunk-hands': {
    title: 'Hands in the body',
    meaning:
      "How deep a hand, with half the forearm beside it, goes through the skin of head, trunk or thighs, deeper than in the rest pose and than the source's own: what 95 of 100 parts of its skin stay above, as a share of the hand's length, where it is nearest.",
    unit: 'share',
    threshold: 0.15,
    reason: `${NO_SOURCE}: a palm is about a sixth of the hand's length thick; a hand that lies on the body and is deeper in it is gone from sight.`,
    remedy:
      'If the motion was made without hand contacts (--no-hand-contact), make it with them. Else the part of the body named here is broad for arms of this length, or its skin stands far off its joints: make it slimmer, set the shoulders farther apart, or turn the rest pose of the upper arms outwards in the mapping.',
  },
  'hinge-knee': {
    title: 'Knee hinge',
    meaning: 'Frames in which a knee is bent against its hinge and the source is not.',
    unit: 'frame',
    threshold: 0,
    reason: 'A knee that bends backwards is wrong in any single frame.',
    remedy:
      'Give the knee of the rig a slight forward bend in the rest pose, or move its pole target in front of it; check that thigh and shin are paired in order.',
  },
  'hinge-elbow': {
    title: 'Elbow hinge',
    meaning: 'Frames in which an elbow is bent against its hinge and the source is not.',
    unit: 'frame',
    threshold: 0,
    reason: 'An elbow that bends backwards is wrong in any single frame.',
    remedy:
      'Give the elbow of the rig a slight bend in the rest pose, or move its pole target behind it; correct the twist of the upper arm in the mapping.',
  },
  'range-of-motion': {
    title: 'Range of motion',
    meaning:
      'By how much a joint leaves its published range (for animation, not for medical use) where the source does not leave it as far.',
    unit: 'degree',
    threshold: 15,
    reason:
      'Ranges: Soucie et al. 2011 (Haemophilia 17:500–507) and AAOS, for animation, not for medical use. The 15 degrees above them are common practice: people differ, and joint centres are not marker-exact.',
    remedy:
      'If the joint is off by about as much in every frame, its rest pose is: correct it in the mapping. If it is off in deep bends only, retarget once without contact (--no-contact): if it passes then, the plants ask for it, and the thigh, shin and foot of the rig are in other proportions than those of the performer. --enforce-ranges keeps the performer within the ranges.',
  },
  'pose-fidelity': {
    title: 'Pose fidelity',
    meaning:
      'Angle between the line of a limb (root to end), the side to which it is bent, a hand, or the heading of a foot, and that of the source, in 95 of 100 frames, for the worst of them; while a knee is on the floor, of thigh and shin.',
    unit: 'degree',
    threshold: 20,
    reason: `${NO_SOURCE}: plants and reach turn a limb by some degrees; a wrong pairing or rest pose gives more.`,
    remedy:
      'Check which joint is paired there, and its rest pose: swing and twist that correct it go into the mapping (rigproof open shows them in the picture).',
  },
  'trunk-orientation': {
    title: 'Trunk orientation',
    meaning: 'Angle between the turning of the chest and that of the source, in 95 of 100 frames.',
    unit: 'degree',
    threshold: 10,
    reason: `${NO_SOURCE}: the chest is led by rotation alone, so nothing but a wrong spine pairing turns it away.`,
    remedy: 'Check which joints are paired with spine, chest and upper chest.',
  },
  'head-orientation': {
    title: 'Head orientation',
    meaning: 'Angle between the turning of the head and that of the source, in 95 of 100 frames.',
    unit: 'degree',
    threshold: 10,
    reason: `${NO_SOURCE}: a gaze that is off by more than 10 degrees looks past the person it is meant for.`,
    remedy: 'Check which joints are paired with neck and head.',
  },
  pops: {
    title: 'Pops',
    meaning: 'The largest one-frame jump of a joint rotation that the source does not have.',
    unit: 'degree',
    threshold: 5,
    reason: `${NO_SOURCE}: angular acceleration beyond half as much again as the source's in the frames around, by more than a jump of 5 degrees.`,
    remedy:
      'Look at the frames named here. A knee or elbow that flips needs a slight bend in the rest pose of the rig, so that its plane is known. A limb that snaps straight is at its full length: allow it to stretch a little (--allow-stretch 2).',
  },
  jumps: {
    title: 'Jumps',
    meaning: 'The largest one-frame jump of a joint position, seen from the hips, that the source does not have.',
    unit: 'leg length',
    threshold: 0.02,
    reason: `${NO_SOURCE}: acceleration beyond half as much again as the source's in the frames around, by more than a jump of 2 % of the leg.`,
    remedy:
      'Retarget once without contact (--no-contact): if it passes then, a plant begins or ends too suddenly in the frames named here, and smoothing the clip (--low-pass 8) helps. Else the clip itself jumps there: --repair.',
  },
  'root-smoothness': {
    title: 'Root smoothness',
    meaning: 'Acceleration of the hips against that of the source scaled to the target, 95th percentiles.',
    unit: 'ratio',
    threshold: 2,
    reason: `${NO_SOURCE}: a root correction may add to the motion of the hips, but not as much as that motion itself.`,
    remedy:
      'The hips give way so that both feet reach their plants. Legs that differ from each other, a foot that is not paired, or short legs make them do so at every step: mend that in the rig. Else allow limbs to stretch a little (--allow-stretch 5).',
  },
  sides: {
    title: 'Sides',
    meaning: 'Limbs that follow the other side of the source, or sit on the other side of the body.',
    unit: 'limb',
    threshold: 0,
    reason: 'A left limb that plays the right one is wrong at once.',
    remedy:
      'Left and right are exchanged: pair the limbs named here with the joints of their own side. If the pairing came from the joint names, they are wrong in the rig.',
  },
  'left-right': {
    title: 'Left/right agreement',
    meaning: 'Difference between how well the left and the right limb keep the pose, for the pair that differs most.',
    unit: 'degree',
    threshold: 12,
    reason: `${NO_SOURCE}: a mirrored rig errs alike on both sides; one side that is 12 degrees worse was not mirrored well.`,
    remedy: 'Mirror the joints of the better side onto the other, or correct the alignment of the worse one.',
  },
  'limb-stretch': {
    title: 'Limb stretch',
    meaning: 'By how much thigh, shin, upper or lower arm are longer or shorter than in the rest pose, at the most.',
    unit: 'share',
    threshold: 0.01,
    reason: `${NO_SOURCE}: bones keep their length; 1 % is left for rounding and for baked animation.`,
    remedy:
      'Remove translation and scale keys from the limb joints; a motion that was made with --allow-stretch stretches them on purpose.',
  },
  'limb-gap': {
    title: 'Limb gap',
    meaning:
      'Distance between the end of the shin or lower arm and the foot or hand that should sit on it, at the most.',
    unit: 'leg length',
    threshold: 0.01,
    reason: `${NO_SOURCE}: 1 % is 8 mm on an adult, where the skin at the ankle begins to show it.`,
    remedy:
      'Make the foot a child of the shin, or bake the inverse kinematics of the modelling package so that the detached foot follows.',
  },
  'still-joints': {
    title: 'Still joints',
    meaning: 'Joints that never move although those of the source do.',
    unit: 'joint',
    threshold: 0,
    reason: 'A paired joint whose source turns by more than 10 degrees has to turn at all.',
    remedy:
      'The joint is paired but carries no motion: look for a copy of it in the rig (control and deforming joints) that moves instead, and pair that.',
  },
  'skin-stretch': {
    title: 'Skin stretch',
    meaning:
      'How many times longer than in the bind pose the edges of a body part become: what 98 % of them, by length, stay below at the worst moment.',
    unit: 'ratio',
    threshold: 3,
    reason: `${NO_SOURCE}: linear blend skinning doubles edges at a bent knee or raised shoulder; three times looks torn.`,
    remedy:
      'Look at the vertex named here in the modelling package: take away the influence of joints that are far from it and smooth the weights around it. rigproof audit lists the vertices at fault, and --mend takes away what is plainly wrong.',
  },
  'skin-collapse': {
    title: 'Skin collapse',
    meaning: 'The share of its volume that a body part loses at the worst moment.',
    unit: 'share',
    threshold: 0.5,
    reason: `${NO_SOURCE}: linear blend skinning is known to lose volume at bent and twisted joints; beyond half of it a limb looks pinched.`,
    remedy: 'Spread the weights at the joint over a longer stretch, or add twist joints.',
  },
} as const satisfies Record<string, MeasureRule>;

export type MeasureId = keyof typeof MEASURE_RULES;
export const MEASURE_IDS = Object.keys(MEASURE_RULES) as MeasureId[];

/** A bend below this is not judged: the plane of an almost straight limb is noise. */
export const HINGE_MIN_DEGREES = 10;
