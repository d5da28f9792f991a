/** How a hand lies over the surface of one body, and where it lies so over another's. */

/** How far a surface lies from the line of its part, in the part's anatomical frame, metres. */
export interface Girth {
  /** Left and right. */
  side: number;
  /** Above and below. */
  vertical: number;
  front: number;
  back: number;
}

export function roundGirth(radius: number): Girth {
  return { side: radius, vertical: radius, front: radius, back: radius };
}

/** The same with so much more all around. */
export function thickened({ side, vertical, front, back }: Girth, by: number): Girth {
  return { side: side + by, vertical: vertical + by, front: front + by, back: back + by };
}

/** How far the surface lies in the direction of an offset; between its sides it goes over without an edge. */
export function surfaceToward(girth: Girth, x: number, y: number, z: number): number {
  const all = x * x + y * y + z * z;
  if (all === 0) return girth.side;
  return (x * x * girth.side + y * y * girth.vertical + z * z * (z > 0 ? girth.front : girth.back)) / all;
}

/**
 * By what an offset from the line of a part grows from one body to the other: what it has over the surface grows as the
 * bodies do, by `scale`; below the surface it goes over, without an edge, to what the line is to the surface.
 * @param its  surface on the one body, in the direction of the offset
 * @param own  the same on the other one
 * @param far  length of the offset
 */
export function growthOver(its: number, own: number, far: number, scale: number): number {
  if (far === 0) return 1;
  const depth = Math.min(1, far / its);
  return scale + ((own - scale * its) * depth * (2 - depth)) / far;
}

/** Share of a line at which a point, given from its start, is nearest; 0 to 1. */
export function shareAlong(offset: Float64Array, line: Float64Array): number {
  const length = line[0]! ** 2 + line[1]! ** 2 + line[2]! ** 2;
  if (length === 0) return 0;
  return Math.max(0, Math.min(1, (offset[0]! * line[0]! + offset[1]! * line[1]! + offset[2]! * line[2]!) / length));
}
