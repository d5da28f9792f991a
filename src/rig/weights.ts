import { FINDING_RULES, type Finding, type FindingPlace } from './finding.ts';
import { mirrorVertices } from './mirror-vertices.ts';
import { finding, jointPlace, meshPlace } from './report.ts';
import { distanceToBones, isDeforming, type RigView } from './view.ts';

/** Weights as numbers: sums, signs, counts; and which joints carry skin and which should not. */
export function checkWeights(view: RigView): Finding[] {
  return [...vertexWeights(view), ...controlWeights(view), ...idleJoints(view)];
}

function vertexWeights(view: RigView): Finding[] {
  const none: FindingPlace[] = [];
  const negative: FindingPlace[] = [];
  const sums: FindingPlace[] = [];
  const many: FindingPlace[] = [];
  view.skins.forEach((skin, mesh) => {
    const { influences, weights } = skin;
    const faults = { none: [] as number[], negative: [] as number[], sum: [] as number[], many: [] as number[] };
    let lowest = 0;
    let furthest = 0;
    let most = 0;
    for (let v = 0; v < skin.vertexCount; v++) {
      let sum = 0;
      let used = 0;
      let low = 0;
      for (let i = v * influences; i < (v + 1) * influences; i++) {
        const w = weights[i]!;
        sum += w;
        if (w > 0) used++;
        if (w < low) low = w;
      }
      if (low < 0) {
        faults.negative.push(v);
        lowest = Math.min(lowest, low);
      }
      if (used > FINDING_RULES['many-influences'].threshold) {
        faults.many.push(v);
        most = Math.max(most, used);
      }
      if (used === 0) faults.none.push(v);
      else if (Math.abs(sum - 1) > FINDING_RULES['weight-sum'].threshold) {
        faults.sum.push(v);
        furthest = Math.max(furthest, Math.abs(sum - 1));
      }
    }
    const place = (vertices: number[], value: number, note: string) =>
      vertices.length > 0 ? [meshPlace(view, mesh, vertices, mainJoints(view, mesh, vertices), value, note)] : [];
    none.push(...place(faults.none, faults.none.length, nearestBone(view, mesh, faults.none)));
    negative.push(...place(faults.negative, -lowest, `as low as ${lowest.toFixed(2)}`));
    sums.push(...place(faults.sum, furthest, `off by up to ${furthest.toFixed(2)}`));
    if (faults.many.length > 0)
      many.push(meshPlace(view, mesh, faults.many, allJoints(view, mesh, faults.many), most, `up to ${most}`));
  });
  return [
    ...finding('no-weight', none),
    ...finding('negative-weight', negative),
    ...finding('weight-sum', sums),
    ...finding('many-influences', many),
  ];
}

/** Where vertices without weight lie, in words. */
function nearestBone(view: RigView, mesh: number, vertices: readonly number[]): string {
  const first = vertices[0];
  if (first === undefined) return '';
  let nearest = -1;
  let least = Number.POSITIVE_INFINITY;
  for (let j = 0; j < view.skeleton.jointCount; j++) {
    if (!isDeforming(view, j)) continue;
    const apart = distanceToBones(view.segments[j]!, view.vertices[mesh]!, first);
    if (apart >= least) continue;
    least = apart;
    nearest = j;
  }
  return nearest < 0 ? 'nothing in this file carries skin' : `nearest to "${view.skeleton.names[nearest]}"`;
}

/** A joint that leads fewer than this share of the vertices at fault is not named. */
const NAMED_SHARE = 0.1;
const MOST_NAMED = 6;

/** The joints that lead these vertices, most often first. */
function mainJoints(view: RigView, mesh: number, vertices: readonly number[]): number[] {
  const counts = new Map<number, number>();
  for (const v of vertices) {
    const leader = leaderOf(view, mesh, v);
    if (leader >= 0) counts.set(leader, (counts.get(leader) ?? 0) + 1);
  }
  return [...counts]
    .filter(([, count]) => count >= NAMED_SHARE * vertices.length)
    .sort((a, b) => b[1] - a[1])
    .slice(0, MOST_NAMED)
    .map(([joint]) => joint);
}

/** All joints that these vertices follow, in the order of the skeleton. */
function allJoints(view: RigView, mesh: number, vertices: readonly number[]): number[] {
  const { influences, weights, joints } = view.skins[mesh]!;
  const all = new Set<number>();
  for (const v of vertices)
    for (let i = v * influences; i < (v + 1) * influences; i++) if (weights[i]! > 0) all.add(joints[i]!);
  return [...all].sort((a, b) => a - b);
}

/** The joint of the largest weight, or -1. */
export function leaderOf(view: RigView, mesh: number, v: number): number {
  const { influences, weights, joints } = view.skins[mesh]!;
  let leader = -1;
  let most = 0;
  for (let i = v * influences; i < (v + 1) * influences; i++) {
    if (weights[i]! <= most) continue;
    most = weights[i]!;
    leader = joints[i]!;
  }
  return leader;
}

function controlWeights(view: RigView): Finding[] {
  const where = view.body.helpers.flatMap(({ joint, kind }) =>
    kind === 'pole' || kind === 'control'
      ? placesOfJoint(view, joint, kind === 'pole' ? 'pole target' : 'control')
      : [],
  );
  const count = where.reduce((sum, { vertexCount }) => sum + vertexCount, 0);
  return finding('control-weight', where, { value: count });
}

/** The vertices that follow a joint, a mesh. */
function placesOfJoint(view: RigView, joint: number, note: string): FindingPlace[] {
  return view.skins.flatMap((skin, mesh) => {
    const vertices: number[] = [];
    for (let v = 0; v < skin.vertexCount; v++)
      for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++)
        if (skin.joints[i] === joint && skin.weights[i]! > 0) {
          vertices.push(v);
          break;
        }
    return vertices.length > 0 ? [meshPlace(view, mesh, vertices, [joint], vertices.length, note)] : [];
  });
}

/** The skin at the mirror image of what the partner moves, a mesh. */
function mirroredSkin(view: RigView, joint: number, partner: number): FindingPlace[] {
  return view.skins.flatMap((skin, mesh) => {
    const mirrored = mirrorVertices(view, mesh);
    if (!mirrored) return [];
    const vertices = new Set<number>();
    for (let i = 0; i < skin.weights.length; i++) {
      const other = mirrored[Math.floor(i / skin.influences)]!;
      if (skin.joints[i] === partner && skin.weights[i]! > 0 && other >= 0) vertices.add(other);
    }
    const sorted = [...vertices].sort((a, b) => a - b);
    const note = `"${view.skeleton.names[partner]}" on the other side moves the skin opposite`;
    return sorted.length > 0 ? [meshPlace(view, mesh, sorted, [joint], 1, note)] : [];
  });
}

/** Roles without which no skin is expected: the pelvis may leave it to the thighs and the spine, eyes may be painted. */
const MAY_BE_IDLE = /^(hips|jaw|leftEye|rightEye|leftShoulder|rightShoulder|neck)$/;

/** Joints with a role that move nothing, where the rig has skin at all. */
function idleJoints(view: RigView): Finding[] {
  const isSkinned = view.skins.some((skin) => new Set(skin.joints).size > 1);
  if (!isSkinned) return [];
  const where: FindingPlace[] = [];
  let matters = false;
  view.roleOf.forEach((role, j) => {
    if (role === null || isDeforming(view, j)) return;
    const partner = view.mirror[j]!;
    const isOneSided = partner >= 0 && partner !== j && isDeforming(view, partner);
    if (isOneSided || !MAY_BE_IDLE.test(role)) matters = true;
    const places = isOneSided ? mirroredSkin(view, j, partner) : [];
    where.push(...(places.length > 0 ? places : [jointPlace(view, [j], 0)]));
  });
  return finding('idle-joint', where, { value: where.length, severity: matters ? 'warning' : 'note' });
}
