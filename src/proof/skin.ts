import { PARENT_ROLE, ROLES, type Role, sideOf } from '../pairing/roles.ts';
import { framePose, restLocalPose } from '../skeleton/clip.ts';
import { SIDES } from '../skeleton/side.ts';
import { createWorldPose } from '../skeleton/skeleton.ts';
import { type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import { type Evidence, measured, notMeasured } from './evidence.ts';
import type { Json, Measure, Where } from './measure.ts';
import { quantileSorted } from './statistics.ts';
import { jointName, type Track } from './track.ts';

const SKIN_FRAMES = 24;
/** Body parts with fewer edges than this are trimmings. */
const FEWEST_EDGES = 12;
/** The share of a part's edges, by length, that the stretch is read at. */
const COUNTED_EDGES = 0.98;
/** Edges below this share of the part's mean length are tiny. */
const TINY_EDGE = 0.3;
/**
 * A part whose volume is below this share of (surface area)^1.5 is cloth, hair or an open shell and has no volume to lose;
 * a sphere has 0.094, a tube ten times as long as thick 0.05.
 */
const FULLNESS_MIN = 0.012;
/** A part that encloses less than this (cube of leg length) has no volume to lose. */
const SMALLEST_VOLUME = 1e-5;

/** A mesh that holds less than this share of what another holds of the same part has only its hem: no volume of its own. */
const MAIN_SHARE = 0.25;

/** The skin of one body part in one mesh: everything that follows one role more than any other. */
interface Part {
  role: Role;
  joint: number;
  /** Vertex pairs. */
  edges: Uint32Array;
  /** Edge lengths of the bind shape, in its own unit. */
  bindLengths: Float64Array;
  /** Outward triangles of the part, and the caps that close it: fans from the middle of each open rim. */
  triangles: Uint32Array;
  /** Rim edges (two vertices each) by rim. */
  rims: Uint32Array[];
}

interface Shape {
  skin: SkinMesh;
  parts: Part[];
  /** World length of one unit of the bind shape. */
  scale: number;
  /** Signed: negative where the triangles wind the other way round, as in mirrored meshes; 0 for what has no volume. */
  bindVolumes: Float64Array;
}

/** Edge lengths and volumes of the skin by body part, against the shape it was bound in. */
export function measureSkin(evidence: Evidence): Measure[] {
  const { target } = evidence;
  const skins = target.figure.skins ?? [];
  const none = (why: string) =>
    (['skin-stretch', 'skin-collapse'] as const).map((id) => notMeasured(evidence, id, why));
  if (skins.length === 0) return none('there is no mesh');
  if (target.frameCount === 0) return none('the clip has no frames');
  const shapes = skins.map((skin) => shapeOf(target, skin)).filter((shape) => shape.parts.length > 0);
  if (shapes.length === 0) return none('no part of the mesh follows a paired joint');

  const fullest = new Map<Role, number>();
  for (const { parts, bindVolumes, scale } of shapes)
    parts.forEach(({ role }, i) => {
      fullest.set(role, Math.max(fullest.get(role) ?? 0, Math.abs(bindVolumes[i]!) * scale ** 3));
    });
  const frames = sampledFrames(target.frameCount, evidence.options.skinFrames ?? SKIN_FRAMES);
  const { skeleton, clip } = target.figure;
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const stretch = new Map<Role, Where>();
  const collapse = new Map<Role, Where>();
  const vertices = new Map<Role, { vertex: number; mesh: string; ratio: number; frame: number }>();
  const note = (map: Map<Role, Where>, part: Part, frame: number, value: number) => {
    const known = map.get(part.role);
    if (known && known.value >= value) return;
    map.set(part.role, {
      role: part.role,
      joint: jointName(target.figure, part.joint),
      frames: [frame, frame],
      worstFrame: frame,
      value,
    });
  };
  for (const shape of shapes) {
    const world = new Float64Array(shape.skin.vertexCount * 3);
    const matrices = new Float64Array(shape.skin.bind.length);
    for (const frame of frames) {
      framePose(skeleton, clip, frame, scratch, pose);
      skinVertices(shape.skin, pose, world, matrices);
      shape.parts.forEach((part, i) => {
        const { high, worst, vertex } = edgeRatios(part, world, shape.scale);
        note(stretch, part, frame, high);
        const known = vertices.get(part.role);
        if (!known || known.ratio < worst)
          vertices.set(part.role, { vertex, mesh: shape.skin.name, ratio: worst, frame });
        const volume = shape.bindVolumes[i]! * shape.scale ** 3;
        const size = Math.abs(volume);
        if (size > SMALLEST_VOLUME * target.legLength ** 3 && size > MAIN_SHARE * fullest.get(part.role)!) {
          const lost = 1 - volumeOf(part, world) / volume;
          note(collapse, part, frame, Math.min(1, Math.max(0, lost)));
        }
      });
    }
  }
  const sampled = { sampledFrames: frames.length, ofFrames: target.frameCount };
  const byPart = (map: Map<Role, Where>): { [key: string]: Json } =>
    Object.fromEntries([...map].map(([role, where]) => [role, where.value]));
  const stretchPlaces = [...stretch.values()].map((place) => {
    const v = vertices.get(place.role)!;
    return { ...place, note: `worst at vertex ${v.vertex} of ${v.mesh || 'the mesh'}: ${v.ratio.toFixed(1)} times` };
  });
  return [
    measured(evidence, 'skin-stretch', largest(stretch), stretchPlaces, {
      ...sampled,
      parts: byPart(stretch),
      worstVertices: Object.fromEntries([...vertices].map(([role, v]) => [role, { ...v }])),
    }),
    collapse.size > 0
      ? measured(evidence, 'skin-collapse', largest(collapse), [...collapse.values()], {
          ...sampled,
          parts: byPart(collapse),
        })
      : notMeasured(evidence, 'skin-collapse', 'no body part encloses a volume'),
  ];
}

function largest(map: Map<Role, Where>): number {
  let most = 0;
  for (const { value } of map.values()) most = Math.max(most, value);
  return most;
}

/** Evenly spread, the first and the last included. */
function sampledFrames(frameCount: number, wanted: number): number[] {
  const count = Math.max(1, Math.min(frameCount, Math.round(wanted)));
  if (count === 1) return [Math.floor((frameCount - 1) / 2)];
  return Array.from({ length: count }, (_, i) => Math.round((i * (frameCount - 1)) / (count - 1)));
}

/** Body parts: each role counts for the part named here; those not listed for what stands above them. */
const PARTS = new Set<Role>([
  'hips',
  'chest',
  'head',
  ...SIDES.flatMap((side): Role[] => [
    `${side}UpperArm`,
    `${side}LowerArm`,
    `${side}Hand`,
    `${side}UpperLeg`,
    `${side}LowerLeg`,
    `${side}Foot`,
  ]),
]);

/** Shoulders go with the upper arm, the neck with the head, the spine with the hips, fingers with the hand, toes with the foot. */
function partOfRole(role: Role): Role {
  if (role === 'neck') return 'head';
  const side = sideOf(role);
  if (side && role === `${side}Shoulder`) return `${side}UpperArm`;
  let part: Role | null = role;
  while (part !== null && !PARTS.has(part)) part = PARENT_ROLE[part];
  return part ?? role;
}

/** The body part that each joint belongs to: that of its role, or of the nearest joint above that has one; -1 for none. */
function partsOfJoints(track: Track): Int16Array {
  const { skeleton, roles } = track.figure;
  const result = new Int16Array(skeleton.jointCount).fill(-1);
  for (const role of ROLES) {
    const joint = roles[role];
    if (joint !== undefined) result[joint] = ROLES.indexOf(partOfRole(role));
  }
  for (let j = 0; j < skeleton.jointCount; j++)
    if (result[j] === -1 && skeleton.parents[j]! >= 0) result[j] = result[skeleton.parents[j]!]!;
  return result;
}

function shapeOf(track: Track, skin: SkinMesh): Shape {
  const roleOfJoint = partsOfJoints(track);
  const welded = weld(skin);
  const roleOfVertex = new Int16Array(skin.vertexCount).fill(-1);
  const sums = new Float64Array(ROLES.length);
  for (let v = 0; v < skin.vertexCount; v++) {
    sums.fill(0);
    let best = -1;
    for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) {
      const role = roleOfJoint[skin.joints[i]!] ?? -1;
      if (role < 0 || skin.weights[i]! <= 0) continue;
      sums[role]! += skin.weights[i]!;
      if (best < 0 || sums[role]! > sums[best]!) best = role;
    }
    roleOfVertex[v] = best;
  }
  const byRole = new Map<number, number[]>();
  for (let t = 0; t < skin.triangles.length; t += 3) {
    const a = welded[skin.triangles[t]!]!;
    const b = welded[skin.triangles[t + 1]!]!;
    const c = welded[skin.triangles[t + 2]!]!;
    if (a === b || b === c || c === a) continue;
    // A triangle belongs to the part that most of its corners follow.
    const ra = roleOfVertex[a]!;
    const rb = roleOfVertex[b]!;
    const rc = roleOfVertex[c]!;
    const role = rb === rc ? rb : ra;
    if (role < 0) continue;
    const list = byRole.get(role) ?? [];
    if (list.length === 0) byRole.set(role, list);
    list.push(a, b, c);
  }
  const parts: Part[] = [];
  for (const [index, list] of byRole) {
    const role = ROLES[index]!;
    const joint = track.figure.roles[role] ?? jointOfPart(track, role);
    const part = partOf(skin, role, joint, list);
    if (part.edges.length >= FEWEST_EDGES * 2) parts.push(part);
  }
  const world = new Float64Array(skin.vertexCount * 3);
  skinVertices(skin, track.rest, world, new Float64Array(skin.bind.length));
  const bindVolumes = Float64Array.from(parts, (part) => {
    const volume = volumeOf(part, skin.positions);
    return Math.abs(volume) > FULLNESS_MIN * areaOf(part, skin.positions) ** 1.5 ? volume : 0;
  });
  return { skin, parts, scale: scaleOf(parts, world), bindVolumes };
}

/** A part is named for a role that the figure may lack (a neck without a head): the first joint that counts for it. */
function jointOfPart(track: Track, part: Role): number {
  const { roles } = track.figure;
  return roles[ROLES.find((role) => roles[role] !== undefined && partOfRole(role) === part)!]!;
}

/** First vertex at the same place of the bind shape: seams of texture and shading are closed. */
function weld(skin: SkinMesh): Uint32Array {
  const result = new Uint32Array(skin.vertexCount);
  const first = new Map<string, number>();
  const p = skin.positions;
  for (let v = 0; v < skin.vertexCount; v++) {
    const key = `${p[v * 3]} ${p[v * 3 + 1]} ${p[v * 3 + 2]}`;
    const known = first.get(key);
    if (known === undefined) first.set(key, v);
    result[v] = known ?? v;
  }
  return result;
}

function partOf(skin: SkinMesh, role: Role, joint: number, list: number[]): Part {
  const { vertexCount, positions: p } = skin;
  // Each undirected edge once; an edge that is passed only once in one direction is on a rim.
  const edges = new Map<number, { a: number; b: number; balance: number }>();
  for (let t = 0; t < list.length; t += 3)
    for (let k = 0; k < 3; k++) {
      const a = list[t + k]!;
      const b = list[t + ((k + 1) % 3)]!;
      const key = Math.min(a, b) * vertexCount + Math.max(a, b);
      const known = edges.get(key);
      if (known) known.balance += known.a === a ? 1 : -1;
      else edges.set(key, { a, b, balance: 1 });
    }
  const pairs: number[] = [];
  const lengths: number[] = [];
  const rimEdges: [number, number][] = [];
  for (const { a, b, balance } of edges.values()) {
    const length = Math.hypot(p[a * 3]! - p[b * 3]!, p[a * 3 + 1]! - p[b * 3 + 1]!, p[a * 3 + 2]! - p[b * 3 + 2]!);
    if (length > 0) {
      pairs.push(a, b);
      lengths.push(length);
    }
    if (balance > 0) rimEdges.push([a, b]);
    if (balance < 0) rimEdges.push([b, a]);
  }
  return {
    role,
    joint,
    edges: Uint32Array.from(pairs),
    bindLengths: Float64Array.from(lengths),
    triangles: Uint32Array.from(list),
    rims: rimsOf(rimEdges),
  };
}

/** Groups rim edges that hang together. */
function rimsOf(edges: readonly [number, number][]): Uint32Array[] {
  const parent = new Map<number, number>();
  const find = (v: number): number => {
    let top = v;
    while (parent.get(top) !== undefined && parent.get(top) !== top) top = parent.get(top)!;
    parent.set(v, top);
    return top;
  };
  for (const [a, b] of edges) {
    const ra = find(a);
    const rb = find(b);
    if (ra !== rb) parent.set(ra, rb);
  }
  const groups = new Map<number, number[]>();
  for (const [a, b] of edges) {
    const top = find(a);
    const group = groups.get(top) ?? [];
    if (group.length === 0) groups.set(top, group);
    group.push(a, b);
  }
  return [...groups.values()].map((group) => Uint32Array.from(group));
}

/** Median of posed over bound edge lengths in the rest pose: the unit of the bind shape. */
function scaleOf(parts: readonly Part[], world: Float64Array): number {
  const ratios: number[] = [];
  for (const { edges, bindLengths } of parts)
    for (let e = 0; e < bindLengths.length; e++) ratios.push(edgeLength(world, edges, e) / bindLengths[e]!);
  ratios.sort((a, b) => a - b);
  return quantileSorted(ratios, 0.5) || 1;
}

function edgeLength(p: Float64Array, edges: Uint32Array, e: number): number {
  const a = edges[e * 2]! * 3;
  const b = edges[e * 2 + 1]! * 3;
  return Math.hypot(p[a]! - p[b]!, p[a + 1]! - p[b + 1]!, p[a + 2]! - p[b + 2]!);
}

/**
 * The ratio that 98 % of the edges stay below, each counted by its length: a tiny edge may stretch without being seen. And
 * the worst of those that are not tiny, with one of its vertices.
 */
function edgeRatios(part: Part, world: Float64Array, scale: number): { high: number; worst: number; vertex: number } {
  const { edges, bindLengths } = part;
  const ratios = new Float64Array(bindLengths.length);
  let total = 0;
  for (const length of bindLengths) total += length;
  const tiny = (TINY_EDGE * total) / bindLengths.length;
  let worst = 0;
  let vertex = 0;
  for (let e = 0; e < ratios.length; e++) {
    ratios[e] = edgeLength(world, edges, e) / (bindLengths[e]! * scale);
    if (ratios[e]! > worst && bindLengths[e]! > tiny) {
      worst = ratios[e]!;
      vertex = edges[e * 2]!;
    }
  }
  const order = Uint32Array.from(ratios.keys()).sort((a, b) => ratios[b]! - ratios[a]!);
  let above = 0;
  let high = worst;
  for (const e of order) {
    above += bindLengths[e]!;
    high = ratios[e]!;
    if (above > (1 - COUNTED_EDGES) * total) break;
  }
  return { high, worst, vertex };
}

/**
 * Volume by the divergence theorem: the sum of a · (b × c) / 6 over outward triangles, each open rim closed by a fan
 * from its middle. Positive for triangles that wind counter-clockwise seen from outside (glTF 2.0, section 3.7.2.1).
 */
function volumeOf(part: Part, p: Float64Array | Float32Array): number {
  let six = 0;
  const { triangles: t, rims } = part;
  for (let i = 0; i < t.length; i += 3) {
    const a = t[i]! * 3;
    const b = t[i + 1]! * 3;
    const c = t[i + 2]! * 3;
    six += triple(p[a]!, p[a + 1]!, p[a + 2]!, p[b]!, p[b + 1]!, p[b + 2]!, p[c]!, p[c + 1]!, p[c + 2]!);
  }
  for (const rim of rims) {
    let x = 0;
    let y = 0;
    let z = 0;
    for (const v of rim) {
      x += p[v * 3]! / rim.length;
      y += p[v * 3 + 1]! / rim.length;
      z += p[v * 3 + 2]! / rim.length;
    }
    // The cap runs along the rim the other way round.
    for (let i = 0; i < rim.length; i += 2) {
      const a = rim[i + 1]! * 3;
      const b = rim[i]! * 3;
      six += triple(p[a]!, p[a + 1]!, p[a + 2]!, p[b]!, p[b + 1]!, p[b + 2]!, x, y, z);
    }
  }
  return six / 6;
}

/** Surface of the part without the caps. */
function areaOf({ triangles: t }: Part, p: Float32Array): number {
  let area = 0;
  for (let i = 0; i < t.length; i += 3) {
    const [a, b, c] = [t[i]! * 3, t[i + 1]! * 3, t[i + 2]! * 3];
    const [ux, uy, uz] = [p[b]! - p[a]!, p[b + 1]! - p[a + 1]!, p[b + 2]! - p[a + 2]!];
    const [vx, vy, vz] = [p[c]! - p[a]!, p[c + 1]! - p[a + 1]!, p[c + 2]! - p[a + 2]!];
    area += Math.hypot(uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx) / 2;
  }
  return area;
}

function triple(
  ax: number,
  ay: number,
  az: number,
  bx: number,
  by: number,
  bz: number,
  cx: number,
  cy: number,
  cz: number,
): number {
  return ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx);
}
