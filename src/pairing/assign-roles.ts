import { SIDES, type Side } from '../skeleton/side.ts';
import { chooseEnds, detachedReadings } from './detached-ends.ts';
import { type Facing, indexOfSide } from './facing.ts';
import type { Figure } from './figure.ts';
import { type FingerReading, findFingers } from './fingers.ts';
import type { Interpretation } from './interpretation.ts';
import { type LimbChain, type LimbContext, readLimb } from './limbs.ts';
import { isHelperName, nameEvidence } from './names.ts';
import { dot, middle, minus } from './point.ts';
import type { Prior } from './prior.ts';
import { ROLES, type Role, type RoleMap, sidedRole } from './roles.ts';
import type { Symmetry } from './symmetry.ts';

export interface Assignment {
  roles: RoleMap;
  arms: Record<Side, LimbChain>;
  legs: Record<Side, LimbChain>;
  fingers: FingerReading[];
}

/** Gives each joint of an interpreted body its role, now that left and right are known. */
export function assignRoles(
  figure: Figure,
  symmetry: Symmetry,
  prior: Prior,
  body: Interpretation,
  { left, facing }: Facing,
): Assignment {
  const context: LimbContext = { figure, symmetry, prior, height: body.height };
  const arms = sidedLimbs(context, body.arms, body.legs, body.isByName ? 'by name' : left);
  const legs = sidedLimbs(context, body.legs, body.arms, body.isByName ? 'by name' : left);
  const roles: RoleMap = { hips: body.hips, head: body.head };
  assignSpine(prior, body.spineChain, roles);
  const neck = bestOf(body.neckChain, (j) => prior.evidence(j, 'neck', null));
  if (neck !== null) roles.neck = neck;

  const fingers: FingerReading[] = [];
  for (const side of SIDES) {
    const leg = legs[side];
    const arm = arms[side];
    set(roles, sidedRole(side, 'UpperLeg'), leg.upper);
    set(roles, sidedRole(side, 'LowerLeg'), leg.lower);
    set(roles, sidedRole(side, 'Foot'), leg.end);
    set(roles, sidedRole(side, 'Toes'), leg.toes);
    set(roles, sidedRole(side, 'Shoulder'), arm.girdle);
    set(roles, sidedRole(side, 'UpperArm'), arm.upper);
    set(roles, sidedRole(side, 'LowerArm'), arm.lower);
    set(roles, sidedRole(side, 'Hand'), arm.end);
    const taken = new Set(Object.values(roles));
    const found = findFingers(
      figure,
      prior.names,
      side,
      arm.end,
      arm.lower,
      arm.endAt ?? figure.points[arm.lower]!,
      taken,
      facing,
    );
    for (const reading of found) set(roles, reading.role, reading.joint);
    fingers.push(...found);
  }
  assignFace(figure, symmetry, prior, body, left, facing, roles);
  settle(prior, roles);
  return { roles, arms, legs, fingers };
}

/** Reads both limbs of a pair again with their sides, and lets the better one decide where they differ. */
function sidedLimbs(
  context: LimbContext,
  pair: readonly [LimbChain, LimbChain],
  others: readonly LimbChain[],
  left: Facing['left'] | 'by name',
): Record<Side, LimbChain> {
  const { figure, symmetry } = context;
  const read = (side: Side): LimbChain => {
    const found = pair[indexOfSide(figure, pair, side, left)];
    return readLimb(context, found.top, found.kind, side) ?? found;
  };
  let both: [LimbChain, LimbChain] = [read('left'), read('right')];
  if (left === 'by name') return { left: both[0], right: both[1] };
  both = chooseEnds(figure, both, detachedReadings(context, both, ['left', 'right']), others);
  const [better, worse] = both[0].score >= both[1].score ? [both[0], both[1]] : [both[1], both[0]];
  const mirrored = mirrorLimb(figure, symmetry, better, worse);
  return better === both[0] ? { left: better, right: mirrored } : { left: mirrored, right: better };
}

/** The other limb as the mirror image of the better one, where every joint has a partner inside it; else as it was. */
function mirrorLimb(figure: Figure, { mirror }: Symmetry, better: LimbChain, worse: LimbChain): LimbChain {
  const partner = (j: number | null): number | null | undefined => {
    if (j === null) return null;
    const k = mirror[j]!;
    return k >= 0 && k !== j ? k : undefined;
  };
  const [girdle, upper, lower, end, toes] = [better.girdle, better.upper, better.lower, better.end, better.toes].map(
    partner,
  );
  if (girdle === undefined || end === undefined || toes === undefined) return worse;
  if (typeof upper !== 'number' || typeof lower !== 'number') return worse;
  const { subtreeEnd } = figure.skeleton;
  if (upper < worse.top || upper >= subtreeEnd[worse.top]!) return worse;
  const endAt = end === null ? worse.endAt : figure.points[end]!;
  return { ...worse, girdle, upper, lower, end, toes, endAt };
}

/**
 * Spine, chest and upper chest from the trunk joints in order: the first, one in the middle and the last, unless names
 * say otherwise. One joint is the spine, two are spine and chest.
 */
function assignSpine(prior: Prior, chain: readonly number[], roles: RoleMap): void {
  const last = chain.length - 1;
  const middleIndex = Math.floor(last / 2);
  let best = Number.NEGATIVE_INFINITY;
  const evidence = (i: number, part: 'spine' | 'chest' | 'upperChest'): number => prior.evidence(chain[i]!, part, null);
  const consider = (picked: number[], score: number): void => {
    if (score <= best) return;
    best = score;
    delete roles.spine;
    delete roles.chest;
    delete roles.upperChest;
    picked.forEach((i, n) => {
      roles[(['spine', 'chest', 'upperChest'] as const)[n]!] = chain[i]!;
    });
  };
  for (let i = 0; i <= last; i++) {
    const spine = evidence(i, 'spine') - i;
    consider([i], spine - (last > 0 ? 2 : 0));
    for (let j = i + 1; j <= last; j++) {
      const chest = spine + evidence(j, 'chest') - Math.abs(j - Math.max(1, middleIndex));
      consider([i, j], chest - (last > 1 ? 1 : 0));
      for (let k = j + 1; k <= last; k++) consider([i, j, k], chest + evidence(k, 'upperChest') - (last - k));
    }
  }
}

/** Eyes: a pair on the head that is named so, or two leaves in front of it. Jaw: by name only. */
function assignFace(
  { children, points, extent }: Figure,
  { mirror }: Symmetry,
  prior: Prior,
  body: Interpretation,
  left: Facing['left'],
  facing: Facing['facing'],
  roles: RoleMap,
): void {
  let bestScore = 0;
  for (const j of children[body.head]!) {
    const partner = mirror[j]!;
    const name = prior.names[j]!;
    if (partner === j && nameEvidence(name, 'jaw') > 2 && children[j]!.length === 0) roles.jaw = j;
    if (partner <= j) continue;
    const mid = middle(points[j]!, points[partner]!);
    const ahead = dot(minus(mid, points[body.head]!), facing);
    const apart = Math.abs(dot(minus(points[j]!, points[partner]!), left));
    let score = nameEvidence(name, 'eye');
    if (isHelperName(name)) score = -2;
    const looksLikeEyes = children[j]!.length === 0 && ahead > -0.005 * extent && apart > 0 && apart < 0.1 * extent;
    score += looksLikeEyes ? 1 : -1;
    if (score <= bestScore) continue;
    bestScore = score;
    const isLeft = dot(minus(points[j]!, points[partner]!), left) > 0;
    roles.leftEye = isLeft ? j : partner;
    roles.rightEye = isLeft ? partner : j;
  }
}

/** What a table or a person has settled stands, whatever shape and names say; a joint keeps one role. */
function settle(prior: Prior, roles: RoleMap): void {
  for (const [role, joint] of prior.settled) {
    if (joint === null) {
      delete roles[role];
      continue;
    }
    for (const other of ROLES)
      if (other !== role && roles[other] === joint && !prior.settled.has(other)) delete roles[other];
    roles[role] = joint;
  }
  for (const role of ROLES) {
    const joint = roles[role];
    if (joint !== undefined && prior.isForbidden(role, joint)) delete roles[role];
  }
}

function set(roles: RoleMap, role: Role, joint: number | null): void {
  if (joint !== null) roles[role] = joint;
}

/** The first of those with the highest value; null for none. */
function bestOf(joints: readonly number[], value: (j: number) => number): number | null {
  let best: number | null = null;
  for (const j of joints) if (best === null || value(j) > value(best)) best = j;
  return best;
}
