import { FINDING_RULES, type Finding } from './finding.ts';
import { finding, jointPlace } from './report.ts';
import { isDeforming, type RigView } from './view.ts';

/** Roles whose joints may lie at or before the surface. */
const MAY_BE_OUTSIDE = /^(leftEye|rightEye|jaw)$/;
/**
 * A point is inside from this winding number on. A closed surface gives 1 inside and 0 outside; holes and open rims make
 * it fractional, and one half is the middle (Jacobson, Kavan & Sorkine-Hornung 2013, ACM TOG 32(4), 33).
 */
const INSIDE = 0.5;

/** Body joints that lie outside of all meshes and away from their surface. */
export function checkInside(view: RigView): Finding[] {
  const { skins, vertices, pose, legLength } = view;
  if (skins.length === 0) return [];
  const limit = FINDING_RULES['joint-outside-mesh'].threshold * legLength;
  const where = view.roleOf.flatMap((role, j) => {
    if (role === null || MAY_BE_OUTSIDE.test(role) || !isDeforming(view, j)) return [];
    let winding = 0;
    let nearest = Number.POSITIVE_INFINITY;
    skins.forEach((skin, m) => {
      const around = Math.abs(windingNumber(vertices[m]!, skin.triangles, pose.positions, j * 3));
      winding = Math.max(winding, around);
    });
    if (winding >= INSIDE) return [];
    skins.forEach((skin, m) => {
      nearest = Math.min(nearest, distanceToMesh(vertices[m]!, skin.triangles, pose.positions, j * 3));
    });
    if (nearest <= limit || !Number.isFinite(nearest)) return []; // a mesh without triangles has no inside
    return [jointPlace(view, [j], nearest / legLength, `${Math.round(nearest * 1000)} mm outside`)];
  });
  return finding('joint-outside-mesh', where);
}

/** Sum of the signed solid angles of all triangles over 4π (van Oosterom & Strackee 1983, IEEE TBME 30(2), 125–126). */
export function windingNumber(p: Float64Array, triangles: Uint32Array, point: Float64Array, at: number): number {
  const x = point[at]!;
  const y = point[at + 1]!;
  const z = point[at + 2]!;
  let sum = 0;
  for (let t = 0; t < triangles.length; t += 3) {
    const i = triangles[t]! * 3;
    const j = triangles[t + 1]! * 3;
    const k = triangles[t + 2]! * 3;
    const ax = p[i]! - x;
    const ay = p[i + 1]! - y;
    const az = p[i + 2]! - z;
    const bx = p[j]! - x;
    const by = p[j + 1]! - y;
    const bz = p[j + 2]! - z;
    const cx = p[k]! - x;
    const cy = p[k + 1]! - y;
    const cz = p[k + 2]! - z;
    const a = Math.sqrt(ax * ax + ay * ay + az * az);
    const b = Math.sqrt(bx * bx + by * by + bz * bz);
    const c = Math.sqrt(cx * cx + cy * cy + cz * cz);
    const determinant = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx);
    const divisor =
      a * b * c +
      (ax * bx + ay * by + az * bz) * c +
      (bx * cx + by * cy + bz * cz) * a +
      (cx * ax + cy * ay + cz * az) * b;
    sum += Math.atan2(determinant, divisor);
  }
  return sum / (2 * Math.PI);
}

/** Distance from a point to the nearest triangle (Ericson 2005, Real-Time Collision Detection, section 5.1.5). */
export function distanceToMesh(p: Float64Array, triangles: Uint32Array, point: Float64Array, at: number): number {
  let least = Number.POSITIVE_INFINITY;
  for (let t = 0; t < triangles.length; t += 3)
    least = Math.min(
      least,
      squaredDistance(p, triangles[t]! * 3, triangles[t + 1]! * 3, triangles[t + 2]! * 3, point, at),
    );
  return Math.sqrt(least);
}

function squaredDistance(p: Float64Array, a: number, b: number, c: number, point: Float64Array, at: number): number {
  const abx = p[b]! - p[a]!;
  const aby = p[b + 1]! - p[a + 1]!;
  const abz = p[b + 2]! - p[a + 2]!;
  const acx = p[c]! - p[a]!;
  const acy = p[c + 1]! - p[a + 1]!;
  const acz = p[c + 2]! - p[a + 2]!;
  const apx = point[at]! - p[a]!;
  const apy = point[at + 1]! - p[a + 1]!;
  const apz = point[at + 2]! - p[a + 2]!;
  const d1 = abx * apx + aby * apy + abz * apz;
  const d2 = acx * apx + acy * apy + acz * apz;
  const bpx = apx - abx;
  const bpy = apy - aby;
  const bpz = apz - abz;
  const d3 = abx * bpx + aby * bpy + abz * bpz;
  const d4 = acx * bpx + acy * bpy + acz * bpz;
  const cpx = apx - acx;
  const cpy = apy - acy;
  const cpz = apz - acz;
  const d5 = abx * cpx + aby * cpy + abz * cpz;
  const d6 = acx * cpx + acy * cpy + acz * cpz;
  const va = d3 * d6 - d5 * d4;
  const vb = d5 * d2 - d1 * d6;
  const vc = d1 * d4 - d3 * d2;
  // Shares of b and c in the nearest point: a corner, a point of an edge, or one of the face.
  let s = 0;
  let u = 0;
  if (d1 <= 0 && d2 <= 0) s = 0;
  else if (d3 >= 0 && d4 <= d3) s = 1;
  else if (vc <= 0 && d1 >= 0 && d3 <= 0) s = d1 / (d1 - d3);
  else if (d6 >= 0 && d5 <= d6) u = 1;
  else if (vb <= 0 && d2 >= 0 && d6 <= 0) u = d2 / (d2 - d6);
  else if (va <= 0 && d4 - d3 >= 0 && d5 - d6 >= 0) {
    u = (d4 - d3) / (d4 - d3 + (d5 - d6));
    s = 1 - u;
  } else {
    const whole = va + vb + vc;
    s = whole > 0 ? vb / whole : 0;
    u = whole > 0 ? vc / whole : 0;
  }
  // A triangle of which two corners are one divides nothing by nothing: it is its longest edge.
  if (Number.isNaN(s) || Number.isNaN(u))
    return Math.min(
      squaredToEdge(p, a, b, point, at),
      squaredToEdge(p, b, c, point, at),
      squaredToEdge(p, c, a, point, at),
    );
  const x = apx - s * abx - u * acx;
  const y = apy - s * aby - u * acy;
  const z = apz - s * abz - u * acz;
  return x * x + y * y + z * z;
}

function squaredToEdge(p: Float64Array, a: number, b: number, point: Float64Array, at: number): number {
  let along = 0;
  let length2 = 0;
  for (let k = 0; k < 3; k++) {
    const edge = p[b + k]! - p[a + k]!;
    along += edge * (point[at + k]! - p[a + k]!);
    length2 += edge * edge;
  }
  const t = length2 > 0 ? Math.min(1, Math.max(0, along / length2)) : 0;
  let sum = 0;
  for (let k = 0; k < 3; k++) sum += (point[at + k]! - p[a + k]! - t * (p[b + k]! - p[a + k]!)) ** 2;
  return sum;
}
