import { gatherEvidence } from '../proof/evidence.ts';
import type { Proof, ProofFigure, ProofOptions } from '../proof/measure.ts';
import type { ProofMemory } from '../proof/memory.ts';
import { proofOf } from '../proof/prove.ts';
import { type SheetContext, sheetOf } from '../proof/report-html.ts';
import { drawMoments } from '../proof/sheet-figures.ts';
import { MEASURE_RULES } from '../proof/thresholds.ts';
import type { SheetChoice } from './settings.ts';

/**
 * Proves a motion and draws its worst moment: that of the first measure that fails, else one in the middle. The sheet is
 * laid out from the same evidence, so that asking for it costs no second measuring.
 */
export function proofWithPicture(
  target: ProofFigure,
  source: ProofFigure,
  labels: SheetContext,
  sheets: SheetChoice,
  options: ProofOptions = {},
  memory?: ProofMemory,
): { proof: Proof; picture: string | null; html: string | null } {
  const evidence = gatherEvidence(target, source, options, memory);
  const proof = proofOf(evidence);
  const wantsSheet = sheets === 'all' || (sheets === 'failed' && proof.verdict === 'fail');
  return {
    proof,
    picture: target.clip.frameCount > 0 ? drawMoments(evidence.target, evidence.source, [worstMoment(proof)]) : null,
    html: wantsSheet ? sheetOf(evidence, proof, labels) : null,
  };
}

function worstMoment(proof: Proof) {
  let worst: {
    frame: number;
    title: string;
    role: Proof['measures'][number]['where'][number]['role'] | null;
    fails: boolean;
  } | null = null;
  let most = 0;
  for (const { id, threshold, where } of proof.measures) {
    const place = where[0];
    if (!place) continue;
    const ratio = threshold > 0 ? place.value / threshold : 1 + place.value;
    if (ratio <= most) continue;
    most = ratio;
    worst = {
      frame: place.worstFrame,
      title: `${MEASURE_RULES[id].title}: ${place.role}`,
      role: place.role,
      fails: true,
    };
  }
  const middle = Math.floor(proof.figures.target.frames / 2);
  return worst ?? { frame: middle, title: 'The middle of the clip', role: null, fails: false };
}
