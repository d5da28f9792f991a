import { isWithin } from '../skeleton/skeleton.ts';
import { mirrorVertices } from './mirror-vertices.ts';
import { type AuditInput, distanceToBones, isDeforming, type RigView, runsOf, viewRig } from './view.ts';

/** What was done to some vertices. Plain data. */
export interface MendAction {
  id: keyof typeof MENDINGS;
  what: string;
  mesh: string;
  /** Joints whose weight was taken or given, as the file names them. */
  joints: string[];
  /** Runs of vertices, first and last of each, as the mesh counts them. */
  vertices: [number, number][];
  vertexCount: number;
}

/** New influences of one mesh, laid out as its own; vertices that need nothing hold what they held. */
export interface MendedMesh {
  /** Index into the skins that were given. */
  mesh: number;
  joints: Uint16Array;
  weights: Float32Array;
  /** Vertices that changed, ascending. */
  changed: number[];
}

export interface MendPlan {
  actions: MendAction[];
  meshes: MendedMesh[];
}

/** What is mended, in the order in which it is done. */
export const MENDINGS = {
  negative: 'negative weights set to zero',
  control: 'weight of a control or pole target moved to the nearest deforming joint',
  mirror: 'missing weights taken from the mirror image on the other side',
  neighbour: 'missing weights taken from the nearest vertex that has some',
  doubled: 'a joint that came twice in one vertex made one influence',
  prune: 'more than four influences pruned to the four largest',
  normalise: 'weights normalised to sum 1',
} as const;

/** Influences that a vertex keeps: what glTF 2.0, section 3.7.3.3, asks every viewer to support. */
const KEPT = 4;
/** Sums nearer to 1 than this are left as they are: the rounding of single precision over four influences. */
const SUM_TOLERANCE = 1e-6;

/**
 * Decides what of a rig's weights can be mended without asking: nothing moves in the rest pose of a sound rig, and no
 * vertex is touched that has no fault. Changes nothing, throws nothing.
 */
export function planMending(input: AuditInput): MendPlan {
  const view = viewRig(input);
  const actions: MendAction[] = [];
  const meshes: MendedMesh[] = [];
  view.skins.forEach((_, mesh) => {
    const mended = mendMesh(view, mesh, actions);
    if (mended.changed.length > 0) meshes.push(mended);
  });
  return { actions, meshes };
}

type Influences = Map<number, number>;

function mendMesh(view: RigView, mesh: number, actions: MendAction[]): MendedMesh {
  const skin = view.skins[mesh]!;
  const { influences, vertexCount } = skin;
  const done = new Map<MendAction['id'], { vertices: number[]; joints: Set<number> }>();
  const note = (id: MendAction['id'], v: number, ...joints: number[]) => {
    const entry = done.get(id) ?? { vertices: [], joints: new Set<number>() };
    done.set(id, entry);
    if (entry.vertices[entry.vertices.length - 1] !== v) entry.vertices.push(v);
    for (const j of joints) entry.joints.add(j);
  };
  const isStray = (j: number) => view.helperOf[j]?.kind === 'control' || view.helperOf[j]?.kind === 'pole';
  const takers = deformingJoints(view, mesh).filter((j) => !isStray(j));
  const original = Array.from({ length: vertexCount }, (_, v) => influencesOf(view, mesh, v));
  const mirrored = mirrorVertices(view, mesh);
  const missing = missingWeights(view, mesh, mirrored, original);
  const mended = new Map<number, Influences>();
  for (let v = 0; v < vertexCount; v++) {
    const before = original[v]!;
    let after: Influences = new Map(before);
    for (const [j, w] of before) {
      if (w >= 0) continue;
      after.delete(j);
      note('negative', v, j);
    }
    for (const [j, w] of [...after]) {
      if (!isStray(j) || w === 0) continue;
      const taker = nearestJoint(view, mesh, v, takers);
      if (taker < 0) continue;
      after.delete(j);
      after.set(taker, (after.get(taker) ?? 0) + w);
      note('control', v, j, taker);
    }
    const replacement = missing.get(v);
    if (replacement) {
      after = new Map(replacement.weights);
      note(replacement.from, v, ...after.keys());
    }
    if (after.size > KEPT) {
      const sorted = [...after].sort((a, b) => b[1] - a[1]);
      for (const [j] of sorted.slice(KEPT)) after.delete(j);
      note('prune', v);
    }
    const sum = total(after);
    if (sum > 0 && Math.abs(sum - 1) > SUM_TOLERANCE) {
      for (const [j, w] of after) after.set(j, w / sum);
      // Said only where that is the fault, not where something above had to be evened out.
      if (Math.abs(total(before) - 1) > SUM_TOLERANCE && !replacement) note('normalise', v);
    }
    const isTwice = hasTwice(view, mesh, v);
    if (isTwice && !replacement) note('doubled', v);
    if (!isSame(before, after) || isTwice) mended.set(v, after);
  }
  for (const [id, { vertices, joints }] of done)
    actions.push({
      id,
      what: MENDINGS[id],
      mesh: skin.name,
      joints: [...joints].sort((a, b) => a - b).map((j) => view.skeleton.names[j]!),
      vertices: runsOf(vertices),
      vertexCount: vertices.length,
    });
  const joints = skin.joints.slice();
  const weights = skin.weights.slice();
  for (const [v, after] of mended) {
    joints.fill(0, v * influences, (v + 1) * influences);
    weights.fill(0, v * influences, (v + 1) * influences);
    const sorted = [...after].filter(([, w]) => w > 0).sort((a, b) => b[1] - a[1] || a[0] - b[0]);
    let rest = 1;
    for (let i = sorted.length - 1; i >= 0; i--) {
      joints[v * influences + i] = sorted[i]![0];
      // The largest takes what the rounded others leave.
      weights[v * influences + i] = i === 0 ? rest : sorted[i]![1];
      rest -= weights[v * influences + i]!;
    }
  }
  return { mesh, joints, weights, changed: [...mended.keys()] };
}

/** Weights by joint, those of a joint that comes twice added. */
function influencesOf(view: RigView, mesh: number, v: number): Influences {
  const { influences, joints, weights } = view.skins[mesh]!;
  const result: Influences = new Map();
  for (let i = v * influences; i < (v + 1) * influences; i++)
    if (weights[i] !== 0) result.set(joints[i]!, (result.get(joints[i]!) ?? 0) + weights[i]!);
  return result;
}

/** Whether a joint comes twice: glTF 2.0, section 3.7.3.3, forbids it. */
function hasTwice(view: RigView, mesh: number, v: number): boolean {
  const { influences, joints, weights } = view.skins[mesh]!;
  for (let i = v * influences; i < (v + 1) * influences; i++)
    for (let k = v * influences; k < i; k++)
      if (weights[i] !== 0 && weights[k] !== 0 && joints[i] === joints[k]) return true;
  return false;
}

function total(influences: Influences): number {
  let sum = 0;
  for (const w of influences.values()) sum += w;
  return sum;
}

function isSame(a: Influences, b: Influences): boolean {
  return a.size === b.size && [...a].every(([j, w]) => b.get(j) === w);
}

/** Joints that the mesh is bound to and that carry skin somewhere. */
function deformingJoints(view: RigView, mesh: number): number[] {
  const { bind } = view.skins[mesh]!;
  const joints: number[] = [];
  for (let j = 0; j < bind.length / 12; j++) if (isBound(bind, j) && isDeforming(view, j)) joints.push(j);
  return joints;
}

function isBound(bind: Float64Array, j: number): boolean {
  return bind.subarray(j * 12, j * 12 + 12).some((x) => x !== 0);
}

/** The joint whose bones lie nearest to a vertex; of one whole chain, the one that starts nearest; -1 without any. */
function nearestJoint(view: RigView, mesh: number, v: number, joints: readonly number[]): number {
  let nearest = -1;
  let least = Number.POSITIVE_INFINITY;
  for (const j of joints) {
    const apart = distanceToBones(view.segments[j]!, view.vertices[mesh]!, v);
    // Where two bones are as near (at a joint), the lower one has it.
    const isBelow = nearest >= 0 && isWithin(view.skeleton, nearest, j);
    if (apart > least + (isBelow ? 1e-9 : -1e-9)) continue;
    least = apart;
    nearest = j;
  }
  return nearest;
}

/**
 * Weights for vertices that have none, and for the skin of a joint that carries none though its partner does: those of
 * the mirror image where there is one, else, for vertices without any, those of the nearest vertex.
 */
function missingWeights(
  view: RigView,
  mesh: number,
  mirrored: Int32Array | null,
  original: readonly Influences[],
): Map<number, { from: 'mirror' | 'neighbour'; weights: Influences }> {
  const skin = view.skins[mesh]!;
  const points = view.vertices[mesh]!;
  const result = new Map<number, { from: 'mirror' | 'neighbour'; weights: Influences }>();
  const fromMirror = (v: number): Influences | null => {
    const other = mirrored?.[v] ?? -1;
    if (other < 0) return null;
    const weights: Influences = new Map();
    for (const [j, w] of original[other]!) {
      const partner = view.mirror[j]!;
      if (w < 0 || partner < 0 || !isBound(skin.bind, partner)) return null;
      weights.set(partner, (weights.get(partner) ?? 0) + w);
    }
    return weights.size > 0 ? weights : null;
  };
  const isIdle = (j: number) =>
    view.roleOf[j] !== null &&
    !isDeforming(view, j) &&
    view.mirror[j]! >= 0 &&
    view.mirror[j] !== j &&
    isDeforming(view, view.mirror[j]!);
  const idle = new Set<number>();
  for (let j = 0; j < view.skeleton.jointCount; j++) if (isIdle(j) && isBound(skin.bind, j)) idle.add(j);
  const weighted: number[] = [];
  for (let v = 0; v < skin.vertexCount; v++) if (total(original[v]!) > 0) weighted.push(v);
  for (let v = 0; v < skin.vertexCount; v++) {
    const isBare = [...original[v]!.values()].every((w) => w <= 0);
    const weights = isBare || idle.size > 0 ? fromMirror(v) : null;
    if (weights && (isBare || [...weights.keys()].some((j) => idle.has(j)))) {
      result.set(v, { from: 'mirror', weights });
      continue;
    }
    if (!isBare) continue;
    let nearest = -1;
    let least = Number.POSITIVE_INFINITY;
    for (const u of weighted) {
      const apart = Math.hypot(
        points[u * 3]! - points[v * 3]!,
        points[u * 3 + 1]! - points[v * 3 + 1]!,
        points[u * 3 + 2]! - points[v * 3 + 2]!,
      );
      if (apart >= least) continue;
      least = apart;
      nearest = u;
    }
    if (nearest >= 0) result.set(v, { from: 'neighbour', weights: new Map(original[nearest]!) });
  }
  return result;
}
