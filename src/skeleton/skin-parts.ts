import type { SkinMesh } from './skin.ts';

/** The share of a part's edges, by length, that the stretch is read at. */
const COUNTED_EDGES = 0.98;
/** Edges below this share of the part's mean length are tiny. */
const TINY_EDGE = 0.3;

/** A piece of a mesh whose stretch and volume are measured: vertices at one place are one. */
export interface SkinPart {
  /** The number that the caller gave it. */
  part: number;
  /** Vertex pairs, each edge once. */
  edges: Uint32Array;
  /** Edge lengths of the bind shape, in its own unit; one over the square of each; and their sum. */
  bindLengths: Float64Array;
  inverseSquares: Float64Array;
  bindLength: number;
  /** Outward triangles of the part, and the rims that caps close: fans from the middle of each. */
  triangles: Uint32Array;
  /** Rim edges (two vertices each) by rim. */
  rims: Uint32Array[];
}

/**
 * Cuts a mesh into parts. A triangle belongs to the part that most of its corners belong to.
 * @param partOfVertex  a number a vertex, -1 for none
 * @param fewestEdges  pieces with fewer are trimmings and left out
 */
export function splitSkin(skin: SkinMesh, partOfVertex: ArrayLike<number>, fewestEdges: number): SkinPart[] {
  const welded = weldVertices(skin);
  const lists = new Map<number, number[]>();
  for (let t = 0; t < skin.triangles.length; t += 3) {
    const a = welded[skin.triangles[t]!]!;
    const b = welded[skin.triangles[t + 1]!]!;
    const c = welded[skin.triangles[t + 2]!]!;
    if (a === b || b === c || c === a) continue;
    const part = partOfVertex[b] === partOfVertex[c] ? partOfVertex[b]! : partOfVertex[a]!;
    if (part < 0) continue;
    const list = lists.get(part);
    if (list) list.push(a, b, c);
    else lists.set(part, [a, b, c]);
  }
  return [...lists]
    .map(([part, list]) => partOf(skin, part, list))
    .filter(({ edges }) => edges.length >= fewestEdges * 2);
}

/** First vertex at the same place of the bind shape: seams of texture and shading are closed. */
export function weldVertices(skin: SkinMesh): Uint32Array {
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

function partOf(skin: SkinMesh, part: number, list: readonly number[]): SkinPart {
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
    part,
    edges: Uint32Array.from(pairs),
    bindLengths: Float64Array.from(lengths),
    inverseSquares: Float64Array.from(lengths, (length) => 1 / (length * length)),
    bindLength: lengths.reduce((sum, length) => sum + length, 0),
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
export function unitOfBindShape(parts: readonly SkinPart[], world: Float64Array): number {
  const ratios = new Float64Array(parts.reduce((count, { bindLengths }) => count + bindLengths.length, 0));
  let count = 0;
  for (const part of parts) {
    const { length } = part.bindLengths;
    stretchSquares(ratios.subarray(count, count + length), part.edges, part.inverseSquares, world);
    count += length;
  }
  ratios.sort();
  return Math.sqrt(ratios[count >> 1] ?? 0) || 1;
}

/** Squares of posed over bound lengths, an edge each, times the square of the unit of the bind shape. */
function stretchSquares(out: Float64Array, edges: Uint32Array, inverseSquares: Float64Array, p: Float64Array): void {
  for (let e = 0; e < out.length; e++) out[e] = squareOf(edges, p, e) * inverseSquares[e]!;
}

function squareOf(edges: Uint32Array, p: Float64Array, e: number): number {
  const a = edges[e * 2]! * 3;
  const b = edges[e * 2 + 1]! * 3;
  const x = p[a]! - p[b]!;
  const y = p[a + 1]! - p[b + 1]!;
  const z = p[a + 2]! - p[b + 2]!;
  return x * x + y * y + z * z;
}

let values = new Float64Array(4096);
let weights = new Float64Array(4096);
/** What `scanEdges` finds: how many edges are above the limit, and the worst edge. */
const scanned = new Int32Array(2);

/**
 * The ratio that 98 % of the edges stay below, each counted by its length: a tiny edge may stretch without being seen. And
 * the worst of those that are not tiny, with one of its vertices.
 * @param known  a ratio that is of no interest any more: below it `high` may be too large, but not above `known`
 */
export function edgeRatios(
  part: SkinPart,
  world: Float64Array,
  scale: number,
  known = 0,
): { high: number; worst: number; vertex: number } {
  const { edges, bindLengths, bindLength } = part;
  const count = bindLengths.length;
  if (values.length < count) {
    values = new Float64Array(count * 2);
    weights = new Float64Array(count * 2);
  }
  const tiny = (TINY_EDGE * bindLength) / count;
  const worstSquare = scanEdges(edges, bindLengths, part.inverseSquares, world, tiny, (known * scale) ** 2);
  const above = scanned[0]!;
  const edge = scanned[1]!;
  const worst = edge < 0 ? 0 : Math.sqrt(worstSquare) / scale;
  const vertex = edge < 0 ? 0 : edges[edge * 2]!;
  const allowed = (1 - COUNTED_EDGES) * bindLength;
  // Only what lies above is put in order, and not even that where it is at most 2 % of the edges.
  const weight = sumOf(weights, above);
  if (weight <= allowed) return { high: Math.min(worst, known), worst, vertex };
  return { high: Math.sqrt(weightedHigh(values, weights, above, allowed)) / scale, worst, vertex };
}

/**
 * Squares of stretches as `stretchSquares` has them: what is above `limit` goes, with its length, to the front of `values` and
 * `weights`. Returns the largest among the edges longer than `tiny`; 0, and an edge of -1, where there is none.
 */
function scanEdges(
  edges: Uint32Array,
  lengths: Float64Array,
  inverseSquares: Float64Array,
  p: Float64Array,
  tiny: number,
  limit: number,
): number {
  let count = 0;
  let edge = -1;
  let worst = 0;
  for (let e = 0; e < lengths.length; e++) {
    const square = squareOf(edges, p, e) * inverseSquares[e]!;
    if (square > worst && lengths[e]! > tiny) {
      worst = square;
      edge = e;
    }
    if (square > limit) {
      values[count] = square;
      weights[count] = lengths[e]!;
      count++;
    }
  }
  scanned[0] = count;
  scanned[1] = edge;
  return worst;
}

function sumOf(numbers: Float64Array, count: number): number {
  let sum = 0;
  for (let i = 0; i < count; i++) sum += numbers[i]!;
  return sum;
}

/**
 * The first value, from the largest down, with which the weights passed sum to more than `allowed`; the two lists are put in
 * another order. Selected as by Hoare (1961, Algorithm 65: FIND), with weights in place of places.
 */
function weightedHigh(values: Float64Array, weights: Float64Array, count: number, allowed: number): number {
  let left = 0;
  let right = count - 1;
  let room = allowed;
  while (left < right) {
    const a = values[left]!;
    const b = values[(left + right) >> 1]!;
    const c = values[right]!;
    const pivot = Math.max(Math.min(a, b), Math.min(Math.max(a, b), c));
    let i = left;
    let j = right;
    do {
      while (values[i]! > pivot) i++;
      while (values[j]! < pivot) j--;
      if (i <= j) {
        const value = values[i]!;
        values[i] = values[j]!;
        values[j] = value;
        const weight = weights[i]!;
        weights[i] = weights[j]!;
        weights[j] = weight;
        i++;
        j--;
      }
    } while (i <= j);
    let larger = 0;
    for (let k = left; k <= j; k++) larger += weights[k]!;
    if (larger > room) right = j;
    else {
      // What lies between the two groups, if anything, is the pivot.
      for (let k = j + 1; k < i; k++) larger += weights[k]!;
      if (larger > room) return pivot;
      room -= larger;
      left = i;
    }
  }
  return values[Math.min(left, count - 1)]!;
}

/**
 * Volume by the divergence theorem: the sum of a · (b × c) / 6 over outward triangles, each open rim closed by a fan
 * from its middle. Positive for triangles that wind counter-clockwise seen from outside (glTF 2.0, section 3.7.2.1).
 */
export function volumeOf({ triangles, rims }: SkinPart, p: Float64Array): number {
  let six = sixVolumes(triangles, p);
  for (const rim of rims) six = capVolumes(six, rim, p);
  return six / 6;
}

function sixVolumes(t: Uint32Array, p: Float64Array): number {
  let six = 0;
  for (let i = 0; i < t.length; i += 3) {
    const a = t[i]! * 3;
    const b = t[i + 1]! * 3;
    const c = t[i + 2]! * 3;
    six += triple(p[a]!, p[a + 1]!, p[a + 2]!, p[b]!, p[b + 1]!, p[b + 2]!, p[c]!, p[c + 1]!, p[c + 2]!);
  }
  return six;
}

/** The sum with that of a fan from the middle of a rim added to it. */
function capVolumes(sum: number, rim: Uint32Array, p: Float64Array): number {
  let six = sum;
  let x = 0;
  let y = 0;
  let z = 0;
  for (let i = 0; i < rim.length; i++) {
    const v = rim[i]! * 3;
    x += p[v]! / rim.length;
    y += p[v + 1]! / rim.length;
    z += p[v + 2]! / rim.length;
  }
  // The cap runs along the rim the other way round.
  for (let i = 0; i < rim.length; i += 2) {
    const a = rim[i + 1]! * 3;
    const b = rim[i]! * 3;
    six += triple(p[a]!, p[a + 1]!, p[a + 2]!, p[b]!, p[b + 1]!, p[b + 2]!, x, y, z);
  }
  return six;
}

/**
 * Volume between a point and the surface of the part: the sum of its triangles' cones. Rims need no caps, and what turns
 * rigidly about the point keeps its share: around a joint only what blending does to the skin changes it.
 */
export function coneVolume({ triangles: t }: SkinPart, p: Float64Array, point: Float64Array, at: number): number {
  const x = point[at]!;
  const y = point[at + 1]!;
  const z = point[at + 2]!;
  let six = 0;
  for (let i = 0; i < t.length; i += 3) {
    const a = t[i]! * 3;
    const b = t[i + 1]! * 3;
    const c = t[i + 2]! * 3;
    six += triple(
      p[a]! - x,
      p[a + 1]! - y,
      p[a + 2]! - z,
      p[b]! - x,
      p[b + 1]! - y,
      p[b + 2]! - z,
      p[c]! - x,
      p[c + 1]! - y,
      p[c + 2]! - z,
    );
  }
  return six / 6;
}

/** Surface of the part without the caps. */
export function areaOf({ triangles: t }: SkinPart, p: Float64Array): number {
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
