import type { Build } from './build.ts';
import { restVertices } from './build.ts';

/** World positions in the rest pose of the vertices that follow some joints more than all others, three numbers each. */
export function partVertices(build: Build, isPart: Uint8Array): number[] {
  const found: number[] = [];
  for (const skin of build.figure.skins ?? []) {
    const { vertexCount, influences, joints, weights } = skin;
    const vertices = restVertices(build, skin);
    for (let v = 0; v < vertexCount; v++) {
      let own = 0;
      let all = 0;
      for (let i = v * influences; i < (v + 1) * influences; i++) {
        all += weights[i]!;
        if (isPart[joints[i]!]) own += weights[i]!;
      }
      if (own > 0.5 * all) found.push(vertices[v * 3]!, vertices[v * 3 + 1]!, vertices[v * 3 + 2]!);
    }
  }
  return found;
}
