import type { RigView } from './view.ts';

/** A vertex and its mirror image are within this share of leg length. */
const SAME_PLACE = 0.004;
/** Fewer mirrored vertices than this share: the mesh is not its own mirror image. */
const MIRRORED_SHARE = 0.6;

/**
 * For each vertex the one at its mirror image, -1 without; null where too few have one. Several vertices may stand at one
 * place (seams): the one whose mirror image is nearest is taken, and of equals the first.
 */
export function mirrorVertices(view: RigView, mesh: number): Int32Array | null {
  const known = found.get(view) ?? [];
  found.set(view, known);
  if (known[mesh] === undefined) known[mesh] = findPartners(view, mesh);
  return known[mesh];
}

/** Several checks ask for the same. */
const found = new WeakMap<RigView, (Int32Array | null)[]>();

function findPartners(view: RigView, mesh: number): Int32Array | null {
  const points = view.vertices[mesh]!;
  const count = points.length / 3;
  const cell = SAME_PLACE * view.legLength;
  const cells = new Int32Array(count * 3);
  const grid = new Map<number, number[]>();
  for (let v = 0; v < count; v++) {
    cells[v * 3] = Math.round((points[v * 3]! - view.middle) / cell);
    cells[v * 3 + 1] = Math.round(points[v * 3 + 1]! / cell);
    cells[v * 3 + 2] = Math.round(points[v * 3 + 2]! / cell);
    const key = cellKey(cells[v * 3]!, cells[v * 3 + 1]!, cells[v * 3 + 2]!);
    const list = grid.get(key);
    if (list) list.push(v);
    else grid.set(key, [v]);
  }
  const partners = new Int32Array(count).fill(-1);
  let mirrored = 0;
  for (let v = 0; v < count; v++) {
    const x = view.middle - points[v * 3]!;
    const y = points[v * 3 + 1]!;
    const z = points[v * 3 + 2]!;
    let nearest = cell;
    for (let dx = -1; dx <= 1; dx++)
      for (let dy = -1; dy <= 1; dy++)
        for (let dz = -1; dz <= 1; dz++)
          for (const u of grid.get(cellKey(dx - cells[v * 3]!, dy + cells[v * 3 + 1]!, dz + cells[v * 3 + 2]!)) ?? []) {
            const apart = Math.hypot(points[u * 3]! - view.middle - x, points[u * 3 + 1]! - y, points[u * 3 + 2]! - z);
            if (apart >= nearest) continue;
            nearest = apart;
            partners[v] = u;
          }
    if (partners[v]! >= 0) mirrored++;
  }
  return mirrored >= MIRRORED_SHARE * count ? partners : null;
}

/** Two cells may share a key: what is found there is compared by distance. */
function cellKey(x: number, y: number, z: number): number {
  return Math.imul(x, 73856093) ^ Math.imul(y, 19349663) ^ Math.imul(z, 83492791);
}
