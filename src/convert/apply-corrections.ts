import { correctAlignment } from '../alignment/corrections.ts';
import type { Note } from '../errors.ts';
import { applyChain, applyMapping, type Mapping } from '../pairing/mapping.ts';
import { RETARGET_DEFAULTS, type RetargetOptions } from '../retarget/plan.ts';
import { type Clip, clipWith } from '../skeleton/clip.ts';
import type { Limb } from '../skeleton/limb.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import type { Performer } from './performer.ts';
import type { Receiver } from './receiver.ts';

/** Both figures and the retarget options, as a mapping file corrects them. */
export interface CorrectedPair {
  performer: Performer;
  receiver: Receiver;
  retarget: Pick<RetargetOptions, 'reach' | 'hold' | 'follow' | 'chains'>;
  notes: Note[];
}

/**
 * Everything in a mapping file beyond roles: corrections of the character's posture, joints that are held or that follow,
 * chains, and the weights of the limbs. Roles are settled before, when the figures are read. Touches neither figure.
 *
 * @param name  file name of the mapping, for messages
 * @throws RigproofError MAP_JOINT_UNKNOWN, MAP_JOINT_AMBIGUOUS, MAP_CHAIN_ORDER
 */
export function applyCorrections(
  performer: Performer,
  receiver: Receiver,
  mapping: Mapping,
  name?: string,
): CorrectedPair {
  const notes: Note[] = [];
  const src = performer.actor;
  const dst = receiver.actor;
  // Roles were applied when the figures were read.
  const source = applyMapping({ hold: mapping.source?.hold }, src.skeleton, name);
  const { hold, follow } = applyMapping(
    { hold: mapping.target?.hold, follow: mapping.target?.follow },
    dst.skeleton,
    name,
  );
  if (mapping.source?.follow && mapping.source.follow.length > 0) {
    notes.push({
      code: 'MAP_NOT_APPLIED',
      severity: 'warning',
      message: 'Joints of the clip cannot follow: "follow" is for the target.',
      place: { file: name, pointer: '/source/follow' },
    });
  }
  for (const role of Object.keys(mapping.corrections ?? {}) as (keyof NonNullable<Mapping['corrections']>)[]) {
    if (dst.body.roles[role] !== undefined) continue;
    notes.push({
      code: 'MAP_CORRECTION_UNUSED',
      severity: 'warning',
      message: `The character has no ${role} to correct.`,
      place: { file: name, pointer: `/corrections/${role}` },
    });
  }
  const alignment = correctAlignment(dst.alignment, dst.skeleton, dst.body, mapping.corrections ?? {});
  const reach: Record<Limb, number> = { ...RETARGET_DEFAULTS.reach };
  for (const [limb, weights] of Object.entries(mapping.limbs ?? {}) as [Limb, { reach?: number }][]) {
    if (weights.reach !== undefined) reach[limb] = weights.reach;
  }
  const chains = (mapping.chains ?? []).map((chain) => ({
    source: applyChain(chain.source, src.skeleton, name),
    target: applyChain(chain.target, dst.skeleton, name),
  }));
  return {
    performer:
      source.hold.length === 0
        ? performer
        : { ...performer, clip: holdJoints(performer.clip, src.skeleton, source.hold) },
    receiver: { ...receiver, actor: { ...dst, alignment } },
    retarget: { reach, hold, follow, chains },
    notes,
  };
}

/** The clip with some joints at their rest rotation. */
function holdJoints(clip: Clip, { restRotations }: Skeleton, joints: readonly number[]): Clip {
  const rotations = clip.rotations.slice();
  for (const joint of joints) {
    for (let f = 0; f < clip.frameCount; f++) {
      rotations.set(restRotations.subarray(joint * 4, joint * 4 + 4), (f * clip.jointCount + joint) * 4);
    }
  }
  return clipWith(clip, { rotations });
}
