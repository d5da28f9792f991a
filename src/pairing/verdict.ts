import type { Figure } from './figure.ts';
import type { Interpretation } from './interpretation.ts';
import { limbShapeEvidence } from './limbs.ts';
import { dot, minus, unit } from './point.ts';
import type { Prior } from './prior.ts';
import { REQUIRED_ROLES } from './roles.ts';
import type { Symmetry } from './symmetry.ts';

/** Below this cosine between trunk and legs the trunk lies level over the legs. */
const MIN_UPRIGHTNESS = 0.35;
/** Limbs on which a body goes are parallel, and its trunk is this far from upright. */
const FOUR_LEGGED_PARALLEL = 0.7;
const MAX_FOUR_LEGGED = 0.75;
/** Log evidence below which shape and names together make no body; a clear one has more than zero. */
const MIN_SCORE = -22;

/** Whether a reading is a human body, in one sentence that a person can check. */
export function judgeBody(
  figure: Figure,
  symmetry: Symmetry,
  body: Interpretation | null,
  prior: Prior,
  names: readonly string[],
): { humanoid: boolean; reason: string } {
  const settled = REQUIRED_ROLES.filter((role) => typeof prior.settled.get(role) === 'number').length;
  const no = (reason: string): { humanoid: boolean; reason: string } => ({ humanoid: false, reason });
  const yes = (reason: string): { humanoid: boolean; reason: string } => ({ humanoid: true, reason });
  if (figure.skeleton.jointCount === 0) return no('the skeleton has no joints');
  if (!body) return no(missing(figure, symmetry));
  if (settled >= REQUIRED_ROLES.length) return yes('a table or a person names all required roles');
  const height = body.height;
  const degrees = Math.round((Math.acos(Math.max(-1, Math.min(1, body.uprightness))) * 180) / Math.PI);
  if (body.isByName) return yes('its names make a whole body; the pose is no posture, so up and facing are not known');
  if (settled < 6) {
    if (body.uprightness < MAX_FOUR_LEGGED && armsAlongLegs(figure, body) > FOUR_LEGGED_PARALLEL) {
      return no(
        `both pairs of limbs stand side by side and the trunk lies ${degrees} degrees off their line: it goes on four legs`,
      );
    }
    if (body.uprightness < MIN_UPRIGHTNESS) return no(`the trunk lies ${degrees} degrees off the line of the legs`);
  }
  const context = { figure, symmetry, prior, height };
  const limbs = [...body.arms, ...body.legs].map((limb) => limbShapeEvidence(context, limb));
  const shape = limbs.reduce((a, b) => a + b, 0);
  if (body.score < MIN_SCORE || (body.score < 0 && shape < MIN_SCORE)) {
    return no(`no reading of its joints has the proportions of a human body (log evidence ${body.score.toFixed(0)})`);
  }
  const feet = body.legs.filter((leg) => leg.end !== null).length;
  const hands = body.arms.filter((arm) => arm.end !== null).length;
  const lacks = [feet < 2 ? 'feet' : '', hands < 2 ? 'hands' : ''].filter(Boolean).join(' and ');
  const parts = `two arms, two legs, ${body.spineChain.length} spine joints and a head (${names[body.head]})`;
  return yes(`upright, with ${parts}${lacks ? `; no joints for the ${lacks}` : ''}`);
}

/** Cosine between the way the arms point and the way the legs point, of the arm that differs most. */
function armsAlongLegs({ points }: Figure, body: Interpretation): number {
  const foot = body.anklesAt ?? points[body.legs[0].lower]!;
  const legs = unit(minus(foot, body.hipsAt));
  return Math.min(
    ...body.arms.map(({ upper, lower, endAt }) => dot(unit(minus(endAt ?? points[lower]!, points[upper]!)), legs)),
  );
}

function missing(figure: Figure, symmetry: Symmetry): string {
  const pairs = symmetry.tops.filter(({ a }) => figure.children[a]!.length > 0 || figure.tips[a]!.length > 0);
  if (pairs.length === 0) return 'no two limbs mirror each other';
  if (pairs.length === 1) return 'only one pair of limbs mirrors each other: arms and legs are both needed';
  return 'no two pairs of limbs with two joints each, with a trunk and a head between them, were found';
}
