/** How a hand lies over the surface of one body, and where it lies so over another's. */

/** How far a surface lies from the line of its part, in the part's anatomical frame, metres. */
export interface Girth {
  /** Left and right. */
  side: number;
  front: number;
  back: number;
  above: number;
  below: number;
}

export function roundGirth(radius: number): Girth {
  return { side: radius, front: radius, back: radius, above: radius, below: radius };
}

/** The same with so much more all around. */
export function thickened({ side, front, back, above, below }: Girth, by: number): Girth {
  return { side: side + by, front: front + by, back: back + by, above: above + by, below: below + by };
}

/**
 * By what an offset from the line of a part grows from one body to the other. What it has over the surface on that side grows
 * by `scale`; below the surface it goes over, without an edge, to what the line is to the surface.
 * @param its  surface of the one body
 * @param own  of the other one
 * @param x, y, z  offset on the one, to the left, up and ahead
 */
export function growthOver(its: Girth, own: Girth, x: number, y: number, z: number, scale: number): number {
  const xx = x * x;
  const yy = y * y;
  const zz = z * z;
  const all = xx + yy + zz;
  if (all === 0) return scale;
  // From side to side the surface goes over by squares: round, without an edge.
  const from = (xx * its.side + yy * (y > 0 ? its.above : its.below) + zz * (z > 0 ? its.front : its.back)) / all;
  const to = (xx * own.side + yy * (y > 0 ? own.above : own.below) + zz * (z > 0 ? own.front : own.back)) / all;
  const far = Math.sqrt(all);
  const depth = Math.min(1, far / from);
  return scale + ((to - scale * from) * depth * (2 - depth)) / far;
}

/** Share of a line at which a point, given from its start, is nearest; 0 to 1. */
export function shareAlong(offset: Float64Array, line: Float64Array): number {
  const length = line[0]! ** 2 + line[1]! ** 2 + line[2]! ** 2;
  if (length === 0) return 0;
  return Math.max(0, Math.min(1, (offset[0]! * line[0]! + offset[1]! * line[1]! + offset[2]! * line[2]!) / length));
}
