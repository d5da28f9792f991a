/** A skinned surface put together from lofts and balls. */
import { add, clamp, cross, distance, dot, length, scale, smoothstep, sub, type Vec } from './math.ts';

/** Joint key → weight; sums to 1. */
export type Weights = ReadonlyMap<string, number>;
export type Weigh = (vertex: Vec, ringCentre: Vec) => Weights;

export interface Ring {
  centre: Vec;
  /** Half axes of the cross-section. */
  u: Vec;
  v: Vec;
  colour: number;
}

export interface LoftOptions {
  sides: number;
  weigh: Weigh;
  /** 2 is an ellipse, larger is boxier. */
  squareness?: number;
  /** Default true, both. */
  capStart?: boolean;
  capEnd?: boolean;
}

/** Vertices and triangles with colours (0xRRGGBB, sRGB) and weights by joint key. */
export class Shell {
  readonly positions: Vec[] = [];
  readonly colours: number[] = [];
  readonly weights: Weights[] = [];
  readonly triangles: number[] = [];

  vertex(position: Vec, colour: number, weights: Weights): number {
    this.positions.push(position);
    this.colours.push(colour);
    this.weights.push(weights);
    return this.positions.length - 1;
  }

  /** A tube through rings. Triangles face outwards whichever way the rings turn. */
  loft(rings: readonly Ring[], options: LoftOptions): void {
    const { sides, weigh, squareness = 2, capStart = true, capEnd = true } = options;
    const power = 2 / squareness;
    const along = sub(rings.at(-1)!.centre, rings[0]!.centre);
    const flipped = dot(cross(rings[0]!.u, rings[0]!.v), along) < 0;
    const first = this.positions.length;
    for (const { centre, u, v, colour } of rings) {
      for (let k = 0; k < sides; k++) {
        const angle = (2 * Math.PI * (k + 0.5)) / sides;
        const c = Math.cos(angle);
        const s = Math.sin(angle);
        const position = add(
          centre,
          add(scale(u, Math.sign(c) * Math.abs(c) ** power), scale(v, Math.sign(s) * Math.abs(s) ** power)),
        );
        this.vertex(position, colour, weigh(position, centre));
      }
    }
    for (let r = 0; r + 1 < rings.length; r++) {
      for (let k = 0; k < sides; k++) {
        const a = first + r * sides + k;
        const b = first + r * sides + ((k + 1) % sides);
        this.quad(a, b, b + sides, a + sides, flipped);
      }
    }
    if (capStart) this.cap(first, sides, rings[0]!, weigh, !flipped);
    if (capEnd) this.cap(first + (rings.length - 1) * sides, sides, rings.at(-1)!, weigh, flipped);
  }

  /** An ellipsoid; `axes` are its three half axes, the first one through the poles. */
  ball(centre: Vec, axes: readonly [Vec, Vec, Vec], colour: number, weigh: Weigh, sides = 8, rows = 5): void {
    const rings: Ring[] = [];
    for (let r = 0; r <= rows; r++) {
      const angle = Math.PI * clamp(r / rows, 0.06, 0.94);
      const k = Math.sin(angle);
      rings.push({
        centre: add(centre, scale(axes[0], -Math.cos(angle))),
        u: scale(axes[1], k),
        v: scale(axes[2], k),
        colour,
      });
    }
    this.loft(rings, { sides, weigh });
  }

  /** An open sheet of rows of equal length; it faces the side from which rows go up and columns to the right. */
  sheet(rows: readonly (readonly Vec[])[], colour: number, weigh: Weigh): void {
    const columns = rows[0]!.length;
    const first = this.positions.length;
    for (const p of rows.flat()) this.vertex(p, colour, weigh(p, p));
    for (let r = 0; r + 1 < rows.length; r++) {
      for (let c = 0; c + 1 < columns; c++) {
        const a = first + r * columns + c;
        this.quad(a, a + 1, a + 1 + columns, a + columns, false);
      }
    }
  }

  /** Unit normals, smooth over shared vertices, weighted by area. */
  normals(): Vec[] {
    const sums: Vec[] = this.positions.map(() => [0, 0, 0]);
    for (let t = 0; t < this.triangles.length; t += 3) {
      const [a, b, c] = [this.triangles[t]!, this.triangles[t + 1]!, this.triangles[t + 2]!];
      const origin = this.positions[a]!;
      const face = cross(sub(this.positions[b]!, origin), sub(this.positions[c]!, origin));
      for (const v of [a, b, c]) sums[v] = add(sums[v]!, face);
    }
    return sums.map((sum) => scale(sum, 1 / length(sum)));
  }

  private quad(a: number, b: number, c: number, d: number, flipped: boolean): void {
    if (flipped) this.triangles.push(a, c, b, a, d, c);
    else this.triangles.push(a, b, c, a, c, d);
  }

  private cap(first: number, sides: number, ring: Ring, weigh: Weigh, outwards: boolean): void {
    const middle = this.vertex(ring.centre, ring.colour, weigh(ring.centre, ring.centre));
    for (let k = 0; k < sides; k++) {
      const a = first + k;
      const b = first + ((k + 1) % sides);
      if (outwards) this.triangles.push(middle, b, a);
      else this.triangles.push(middle, a, b);
    }
  }
}

/** All weight on one joint. */
export function rigid(joint: string): Weigh {
  const weights: Weights = new Map([[joint, 1]]);
  return () => weights;
}

/**
 * Weights along a chain of joints: all on one joint in the middle of a segment, handed over smoothly around the next.
 * Whole rings share their weights, so a cross-section keeps its shape.
 * @param chain  joints with their positions, from the body outwards
 * @param end    where the last segment ends
 * @param reach  half of the handover, as a share of the shorter neighbouring segment, at most 0.5
 */
export function alongChain(chain: readonly { joint: string; at: Vec }[], end: Vec, reach = 0.3): Weigh {
  const points = [...chain.map((link) => link.at), end];
  const starts = [0];
  for (let i = 1; i < points.length; i++) starts.push(starts[i - 1]! + distance(points[i - 1]!, points[i]!));
  return (_vertex, centre) => {
    const t = arcLength(points, starts, centre);
    const weights = new Map([[chain[0]!.joint, 1]]);
    for (let i = 1; i < chain.length; i++) {
      const half = reach * Math.min(starts[i]! - starts[i - 1]!, starts[i + 1]! - starts[i]!);
      const share = smoothstep(starts[i]! - half, starts[i]! + half, t);
      if (share <= 0) break;
      const before = chain[i - 1]!.joint;
      if (share >= 1) weights.delete(before);
      else weights.set(before, weights.get(before)! - share);
      weights.set(chain[i]!.joint, share);
    }
    return weights;
  };
}

/** Arc length of the nearest place on a polyline; the ends reach on beyond it. */
function arcLength(points: readonly Vec[], starts: readonly number[], p: Vec): number {
  let best = Number.POSITIVE_INFINITY;
  let found = 0;
  for (let i = 0; i + 1 < points.length; i++) {
    const a = points[i]!;
    const segment = sub(points[i + 1]!, a);
    const size = length(segment);
    const low = i === 0 ? -1 : 0;
    const t = clamp(dot(sub(p, a), segment) / (size * size), low, i + 2 === points.length ? 2 : 1);
    const gap = distance(p, add(a, scale(segment, t)));
    if (gap < best - 1e-12) {
      best = gap;
      found = starts[i]! + t * size;
    }
  }
  return found;
}
