import { distanceVec } from '../math/vec.ts';
import { framePose, restLocalPose } from '../skeleton/clip.ts';
import { createWorldPose, type WorldPose } from '../skeleton/skeleton.ts';
import { jointMatrices, type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import { MEASURE_RULES } from './thresholds.ts';
import type { Track } from './track.ts';

/** The skin of a figure in one pose, split into what is whole and what is torn. World space. */
export interface PosedSkin {
  names: string[];
  /** Vertex positions a mesh, vertexCount × 3. */
  vertices: Float64Array[];
  /** Triangles without a torn edge, three vertex indices each, a mesh. */
  whole: Uint32Array[];
  /** Edges that are longer than skin stretch allows, the longest first: end points, six numbers each. */
  torn: Float64Array;
}

/** As many torn edges show where and how far; more only thicken the bundle. */
const MOST_TORN = 160;
/** A shorter edge is not seen in the picture, however much it stretched: share of the leg. */
const SHORTEST_TORN = 0.03;
/** Edges that are looked at for the unit of the bind shape. */
const UNIT_SAMPLES = 2000;
/** Size of a cell of the silhouette, in units of the drawing. */
const CELL = 1;

/** Poses the skin of a figure frame by frame; null for a figure without a mesh. */
export function skinPoser(track: Track): ((frame: number) => PosedSkin) | null {
  const { skins = [], skeleton, clip } = track.figure;
  const meshes = skins.filter(({ triangles }) => triangles.length > 0);
  if (meshes.length === 0) return null;
  const names = meshes.map(({ name }) => name);
  const units = meshes.map((mesh) => unitOf(mesh, track.rest));
  // The kernels take Float64Array only.
  const shapes = meshes.map(({ positions }) => Float64Array.from(positions));
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  return (frame) => {
    framePose(skeleton, clip, frame, scratch, pose);
    const vertices = meshes.map((mesh) => posed(mesh, pose));
    const whole: Uint32Array[] = [];
    const torn: { length: number; ends: number[] }[] = [];
    meshes.forEach((mesh, m) => {
      const kept: number[] = [];
      for (let t = 0; t < mesh.triangles.length; t += 3) {
        let holds = true;
        for (let k = 0; k < 3; k++) {
          const a = mesh.triangles[t + k]! * 3;
          const b = mesh.triangles[t + ((k + 1) % 3)]! * 3;
          const length = distanceVec(vertices[m]!, a, vertices[m]!, b);
          if (length < SHORTEST_TORN * track.legLength) continue;
          const bound = distanceVec(shapes[m]!, a, shapes[m]!, b) * units[m]!;
          if (length <= MEASURE_RULES['skin-stretch'].threshold * bound) continue;
          holds = false;
          // An inner edge is passed twice, once in each direction.
          if (a < b)
            torn.push({ length, ends: [...vertices[m]!.subarray(a, a + 3), ...vertices[m]!.subarray(b, b + 3)] });
        }
        if (holds) kept.push(mesh.triangles[t]!, mesh.triangles[t + 1]!, mesh.triangles[t + 2]!);
      }
      whole.push(Uint32Array.from(kept));
    });
    torn.sort((p, q) => q.length - p.length);
    return { names, vertices, whole, torn: Float64Array.from(torn.slice(0, MOST_TORN).flatMap(({ ends }) => ends)) };
  };
}

/** World positions of a mesh in a pose. */
function posed(mesh: SkinMesh, pose: WorldPose): Float64Array {
  const world = new Float64Array(mesh.vertexCount * 3);
  skinVertices(mesh, pose, world, new Float64Array(mesh.bind.length));
  return world;
}

/**
 * Where the vertices of a mesh were when it was bound; those without weight, which no pose places, are where the first
 * joint that carries skin takes them.
 */
export function boundVertices(mesh: SkinMesh, rest: WorldPose): Float64Array {
  const world = posed(mesh, rest);
  const { influences, weights, joints, positions } = mesh;
  const matrices = new Float64Array(mesh.bind.length);
  jointMatrices(mesh, rest, matrices);
  const carrier = weights.findIndex((w) => w > 0);
  if (carrier < 0) return world;
  const at = joints[carrier]! * 12;
  for (let v = 0; v < mesh.vertexCount; v++) {
    if (weights.subarray(v * influences, (v + 1) * influences).some((w) => w !== 0)) continue;
    for (let k = 0; k < 3; k++) {
      const row = at + k * 4;
      world[v * 3 + k] =
        matrices[row]! * positions[v * 3]! +
        matrices[row + 1]! * positions[v * 3 + 1]! +
        matrices[row + 2]! * positions[v * 3 + 2]! +
        matrices[row + 3]!;
    }
  }
  return world;
}

/** World length of one unit of the shape that a mesh was bound in: the median over some of its edges. */
function unitOf(mesh: SkinMesh, rest: WorldPose): number {
  const world = posed(mesh, rest);
  const shape = Float64Array.from(mesh.positions);
  const ratios: number[] = [];
  const step = Math.max(1, Math.floor(mesh.triangles.length / 3 / UNIT_SAMPLES)) * 3;
  for (let t = 0; t < mesh.triangles.length; t += step) {
    const a = mesh.triangles[t]! * 3;
    const b = mesh.triangles[t + 1]! * 3;
    const bound = distanceVec(shape, a, shape, b);
    if (bound > 0) ratios.push(distanceVec(world, a, world, b) / bound);
  }
  ratios.sort((p, q) => p - q);
  return ratios[ratios.length >> 1] ?? 1;
}

/**
 * The silhouette of triangles as the path of one SVG shape. It is as long as the picture is large, however many triangles
 * there are: cells that any of them covers are joined to runs.
 * @param flat  x and y a vertex, in units of the drawing
 */
export function silhouette(
  meshes: readonly { flat: Float64Array; triangles: Uint32Array }[],
  width: number,
  height: number,
): string {
  const columns = Math.ceil(width / CELL);
  const rows = Math.ceil(height / CELL);
  const cells = new Uint8Array(columns * rows);
  for (const { flat, triangles } of meshes)
    for (let t = 0; t < triangles.length; t += 3) {
      const [a, b, c] = [triangles[t]! * 2, triangles[t + 1]! * 2, triangles[t + 2]! * 2];
      fillTriangle(cells, columns, rows, flat[a]!, flat[a + 1]!, flat[b]!, flat[b + 1]!, flat[c]!, flat[c + 1]!);
    }
  const runs: string[] = [];
  for (let row = 0; row < rows; row++)
    for (let column = 0; column < columns; column++) {
      const first = column;
      while (column < columns && cells[row * columns + column]) column++;
      if (column > first)
        runs.push(`M${first * CELL} ${row * CELL}h${(column - first) * CELL}v${CELL}H${first * CELL}z`);
    }
  return runs.join('');
}

/** Marks the cells of each row that the triangle covers there, ends included, so that thin ones leave no gap. */
function fillTriangle(
  cells: Uint8Array,
  columns: number,
  rows: number,
  ax: number,
  ay: number,
  bx: number,
  by: number,
  cx: number,
  cy: number,
): void {
  const firstRow = Math.max(0, Math.floor(Math.min(ay, by, cy) / CELL));
  const lastRow = Math.min(rows - 1, Math.floor(Math.max(ay, by, cy) / CELL));
  const corners = [ax, ay, bx, by, cx, cy];
  for (let row = firstRow; row <= lastRow; row++) {
    const top = row * CELL;
    let left = Number.POSITIVE_INFINITY;
    let right = Number.NEGATIVE_INFINITY;
    for (let k = 0; k < 6; k += 2) {
      const [x, y, nextX, nextY] = [corners[k]!, corners[k + 1]!, corners[(k + 2) % 6]!, corners[(k + 3) % 6]!];
      const low = Math.max(top, Math.min(y, nextY));
      const high = Math.min(top + CELL, Math.max(y, nextY));
      if (low > high) continue;
      for (const at of [low, high]) {
        const across = y === nextY ? x : x + ((at - y) / (nextY - y)) * (nextX - x);
        left = Math.min(left, across, y === nextY ? nextX : across);
        right = Math.max(right, across, y === nextY ? nextX : across);
      }
    }
    const from = Math.max(0, Math.floor(left / CELL));
    const to = Math.min(columns - 1, Math.floor(right / CELL));
    if (from <= to) cells.fill(1, row * columns + from, row * columns + to + 1);
  }
}
