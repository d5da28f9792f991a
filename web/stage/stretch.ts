import { type SkinMesh, skinVertices, type WorldPose } from '../../src/index.ts';

/** Edges that become this many times as long are shown at full heat: what the proof lets pass at most. */
const FULL = 2.5;

interface Shape {
  skin: SkinMesh;
  /** Vertex pairs, and their lengths at rest. */
  edges: Uint32Array;
  lengths: Float64Array;
  world: Float64Array;
  matrices: Float64Array;
  values: Float32Array;
}

/** How much the skin is stretched at each vertex: the longest of its edges against the rest pose. */
export class StretchMap {
  private readonly shapes: Shape[];

  constructor(skins: readonly SkinMesh[], rest: WorldPose) {
    this.shapes = skins.map((skin) => {
      const world = new Float64Array(skin.vertexCount * 3);
      const matrices = new Float64Array(skin.bind.length);
      const edges = edgesOf(skin.triangles);
      skinVertices(skin, rest, world, matrices);
      const lengths = Float64Array.from({ length: edges.length / 2 }, (_, e) => edgeLength(world, edges, e));
      return { skin, edges, lengths, world, matrices, values: new Float32Array(skin.vertexCount) };
    });
  }

  /** 0 to 1 a vertex, one array a mesh; the arrays are used again. */
  values(pose: WorldPose): Float32Array[] {
    return this.shapes.map(({ skin, edges, lengths, world, matrices, values }) => {
      skinVertices(skin, pose, world, matrices);
      values.fill(0);
      for (let e = 0; e < lengths.length; e++) {
        const rest = lengths[e]!;
        if (rest < 1e-6) continue;
        const heat = Math.min(1, Math.max(0, (edgeLength(world, edges, e) / rest - 1) / (FULL - 1)));
        const a = edges[e * 2]!;
        const b = edges[e * 2 + 1]!;
        if (heat > values[a]!) values[a] = heat;
        if (heat > values[b]!) values[b] = heat;
      }
      return values;
    });
  }
}

function edgesOf(triangles: Uint32Array): Uint32Array {
  const seen = new Set<number>();
  const edges: number[] = [];
  for (let t = 0; t < triangles.length; t += 3) {
    for (let k = 0; k < 3; k++) {
      const a = triangles[t + k]!;
      const b = triangles[t + ((k + 1) % 3)]!;
      const key = Math.min(a, b) * 2 ** 24 + Math.max(a, b);
      if (seen.has(key)) continue;
      seen.add(key);
      edges.push(a, b);
    }
  }
  return Uint32Array.from(edges);
}

function edgeLength(world: Float64Array, edges: Uint32Array, e: number): number {
  const a = edges[e * 2]! * 3;
  const b = edges[e * 2 + 1]! * 3;
  return Math.hypot(world[a]! - world[b]!, world[a + 1]! - world[b + 1]!, world[a + 2]! - world[b + 2]!);
}
