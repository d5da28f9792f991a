import { describe, expect, it } from 'vitest';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { areaOf, coneVolume, edgeRatios, splitSkin, unitOfBindShape, volumeOf } from '../../src/skeleton/skin-parts.ts';

/** A tube of radius 1 along y, `rings` rings of `around` vertices, one unit apart, open at both ends. */
function tube(rings: number, around: number): SkinMesh {
  const positions: number[] = [];
  const triangles: number[] = [];
  for (let r = 0; r < rings; r++)
    for (let i = 0; i < around; i++) {
      const angle = (2 * Math.PI * i) / around;
      positions.push(Math.sin(angle), r, Math.cos(angle));
      if (r === 0) continue;
      const [a, b] = [(r - 1) * around + i, (r - 1) * around + ((i + 1) % around)];
      triangles.push(a, b, b + around, a, b + around, a + around);
    }
  const vertexCount = rings * around;
  return {
    name: 'tube',
    vertexCount,
    positions: Float32Array.from(positions),
    triangles: Uint32Array.from(triangles),
    influences: 4,
    joints: new Uint16Array(vertexCount * 4),
    weights: new Float32Array(vertexCount * 4),
    bind: new Float64Array(12),
  };
}

const AROUND = 24;
/** Area of a regular polygon of AROUND corners in the unit circle. */
const POLYGON = (AROUND / 2) * Math.sin((2 * Math.PI) / AROUND);
/** Corners are Float32 numbers near 1: 6e-8 each. */
const FLOAT_DIGITS = 5;

describe('pieces of a mesh', () => {
  const skin = tube(5, AROUND);
  const positions = Float64Array.from(skin.positions);
  const middle = Float64Array.of(0, 2, 0);
  const whole = splitSkin(skin, new Int16Array(skin.vertexCount), 1)[0]!;

  it('closes open rims: the volume of a tube is that of the prism', () => {
    expect(whole.rims).toHaveLength(2);
    expect(volumeOf(whole, positions)).toBeCloseTo(POLYGON * 4, FLOAT_DIGITS);
  });

  it('sums cones from a point on the axis: two thirds of the prism, as its bases are open', () => {
    // The bases' pyramids, each a third of half of the prism, are what the open ends leave out.
    expect(coneVolume(whole, positions, middle, 0)).toBeCloseTo((POLYGON * 4 * 2) / 3, FLOAT_DIGITS);
  });

  it('keeps the cone volume of what turns rigidly about the point, and quarters it with half of the radius', () => {
    const turned = positions.slice();
    const [c, s] = [Math.cos(1), Math.sin(1)];
    for (let v = 0; v < skin.vertexCount; v++) {
      const [y, z] = [skin.positions[v * 3 + 1]! - 2, skin.positions[v * 3 + 2]!];
      turned[v * 3 + 1] = 2 + c * y - s * z;
      turned[v * 3 + 2] = s * y + c * z;
    }
    const volume = coneVolume(whole, positions, middle, 0);
    expect(coneVolume(whole, turned, middle, 0)).toBeCloseTo(volume, FLOAT_DIGITS);
    const thin = positions.map((x, i) => (i % 3 === 1 ? x : x / 2));
    expect(coneVolume(whole, thin, middle, 0)).toBeCloseTo(volume / 4, FLOAT_DIGITS);
  });

  it('splits by what most corners belong to, each triangle once', () => {
    const upper = Int16Array.from({ length: skin.vertexCount }, (_, v) => (v >= 2 * AROUND ? 1 : 0));
    const parts = splitSkin(skin, upper, 1);
    expect(parts.map(({ part }) => part).sort()).toEqual([0, 1]);
    const triangles = parts.reduce((sum, part) => sum + part.triangles.length, 0);
    expect(triangles).toBe(skin.triangles.length);
    const areas = parts.reduce((sum, part) => sum + areaOf(part, positions), 0);
    expect(areas).toBeCloseTo(areaOf(whole, positions), FLOAT_DIGITS);
  });

  it('leaves out vertices without a part and pieces that are too small', () => {
    const none = new Int16Array(skin.vertexCount).fill(-1);
    expect(splitSkin(skin, none, 1)).toEqual([]);
    none[0] = none[1] = none[AROUND] = none[AROUND + 1] = 3;
    expect(splitSkin(skin, none, 100)).toEqual([]);
    expect(splitSkin(skin, none, 1).map(({ part }) => part)).toEqual([3]);
  });

  it('closes seams: vertices at one place are one', () => {
    const seam = tube(2, AROUND);
    const split: SkinMesh = {
      ...seam,
      vertexCount: seam.vertexCount * 2,
      positions: Float32Array.from([...seam.positions, ...seam.positions]),
      triangles: seam.triangles.map((v, i) => (i % 6 < 3 ? v : v + seam.vertexCount)),
    };
    const part = splitSkin(split, new Int16Array(split.vertexCount), 1)[0]!;
    expect(part.rims).toHaveLength(2);
    expect(volumeOf(part, Float64Array.from(split.positions))).toBeCloseTo(POLYGON, FLOAT_DIGITS);
  });

  it('measures stretch against the bind shape in its own unit', () => {
    const world = Float64Array.from(skin.positions, (x) => x * 100);
    const scale = unitOfBindShape([whole], world);
    expect(scale).toBeCloseTo(100, FLOAT_DIGITS);
    expect(edgeRatios(whole, world, scale).high).toBeCloseTo(1, FLOAT_DIGITS);
    // The top ring rises by two more units: its upright edges become three times as long.
    for (let i = 4 * AROUND; i < 5 * AROUND; i++) world[i * 3 + 1]! += 200;
    const { worst, vertex } = edgeRatios(whole, world, scale);
    expect(worst).toBeCloseTo(3, 4);
    expect(vertex).toBeGreaterThanOrEqual(3 * AROUND);
    // A bound that is known already changes nothing above it.
    const { high } = edgeRatios(whole, world, scale);
    expect(high).toBeCloseTo(3, 4);
    expect(edgeRatios(whole, world, scale, 2).high).toBe(high);
    expect(edgeRatios(whole, world, scale, 3.5).high).toBeLessThanOrEqual(3.5);
  });
});
