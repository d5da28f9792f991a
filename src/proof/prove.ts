import { SIDES } from '../skeleton/side.ts';
import { type Evidence, gatherEvidence } from './evidence.ts';
import { measureFeet } from './feet.ts';
import { measureHinges } from './hinges.ts';
import { measureRanges } from './joint-ranges.ts';
import { measureLengths } from './lengths.ts';
import { measureLimbTargets } from './limb-ends.ts';
import { measureLowParts } from './low-rests.ts';
import type { FigureFacts, Measure, Proof, ProofFigure, ProofOptions } from './measure.ts';
import { createProofMemory, type ProofMemory } from './memory.ts';
import { measureOrientations, measurePose } from './posture.ts';
import { measureSelfContact } from './self-contact.ts';
import { measureSkin } from './skin.ts';
import { measureSmoothness } from './smoothness.ts';
import { stillJoints } from './still-joints.ts';
import { measureSunkHands } from './sunk-hands.ts';
import { MEASURE_IDS } from './thresholds.ts';
import type { Track } from './track.ts';
import { unreachedOnTarget } from './unreached.ts';

/**
 * Measures a motion on a figure, with its source or without. Nothing here is shared with the code that made the motion.
 *
 * Both figures are in world space (metres, Y up, facing +Z, floor at y = 0). Lengths are judged as shares of the
 * target's leg length. The work is linear in frames. The proof is plain data and survives JSON.
 *
 * @param memory  what proofs of the same source or the same character worked out before; this one adds to it
 * @throws RigproofError PROOF_CLIP_MISMATCH (clip and skeleton differ), PROOF_ROLE_JOINT (a role without a joint)
 * @example
 * const proof = prove({ skeleton, clip, roles }, { skeleton: src.skeleton, clip: src.clip, roles: src.roles });
 * if (proof.verdict === 'fail') for (const m of proof.measures) if (m.verdict === 'fail') report(m.id, m.where);
 */
export function prove(
  target: ProofFigure,
  source?: ProofFigure,
  options: ProofOptions = {},
  memory: ProofMemory = createProofMemory(),
): Proof {
  return proofOf(gatherEvidence(target, source, options, memory));
}

/** @internal The proof of evidence that is at hand already. */
export function proofOf(evidence: Evidence): Proof {
  const { measures: feet, plants } = measureFeet(evidence);
  const all: Measure[] = [
    ...feet,
    ...measureLowParts(evidence),
    ...measureLimbTargets(evidence),
    measureSelfContact(evidence),
    measureSunkHands(evidence),
    ...measureHinges(evidence),
    measureRanges(evidence),
    ...measurePose(evidence),
    ...measureOrientations(evidence),
    ...measureSmoothness(evidence),
    ...measureLengths(evidence),
    stillJoints(evidence),
    ...measureSkin(evidence),
  ];
  all.sort((a, b) => MEASURE_IDS.indexOf(a.id) - MEASURE_IDS.indexOf(b.id));
  const counts = { pass: 0, fail: 0, notMeasured: 0 };
  const unreached = unreachedOnTarget(evidence);
  for (const measure of all) counts[measure.verdict === 'not measured' ? 'notMeasured' : measure.verdict]++;
  return {
    version: 1,
    verdict: counts.fail > 0 ? 'fail' : counts.pass > 0 ? 'pass' : 'not measured',
    counts,
    measures: all,
    figures: {
      target: facts(evidence.target, evidence.feet),
      source: evidence.source ? facts(evidence.source, evidence.sourceFeet) : null,
    },
    contacts: { from: evidence.contactsFrom, intervals: plants },
    ...(unreached ? { unreached } : {}),
    notes: evidence.notes,
  };
}

function facts(track: Track, feet: Evidence['feet']): FigureFacts {
  const { skeleton, clip, roles } = track.figure;
  return {
    joints: skeleton.jointCount,
    frames: clip.frameCount,
    rate: clip.frameDuration > 0 ? 1 / clip.frameDuration : 0,
    legLength: track.legLength,
    roles: Object.keys(roles).length,
    feet: SIDES.map((side) => feet[side]?.from).find((from) => from !== undefined) ?? null,
  };
}
