import { describe, expect, it } from 'vitest';
import { silhouette } from '../../src/proof/sheet-skin.ts';

/** Area of a path of rectangles `M x y h width v height H x z`. */
function areaOf(path: string): number {
  const runs = [...path.matchAll(/M[\d.]+ [\d.]+h([\d.]+)v([\d.]+)H[\d.]+z/g)];
  expect(runs.map(([text]) => text).join('')).toBe(path);
  return runs.reduce((sum, [, width, height]) => sum + Number(width) * Number(height), 0);
}

const shape = (...corners: number[]) => ({
  flat: Float64Array.from(corners),
  triangles: Uint32Array.from({ length: corners.length / 2 }, (_, i) => i),
});

describe('the silhouette of a mesh', () => {
  it('covers its triangles and at most a cell around them', () => {
    // Half of 60 × 40, whose edges are 60, 40 and 72.1 long.
    const area = areaOf(silhouette([shape(20, 30, 80, 30, 20, 70)], 100, 100));
    expect(area).toBeGreaterThanOrEqual(1200);
    expect(area).toBeLessThan(1200 + 60 + 40 + 72.1 + 4);
  });

  it('counts what several triangles cover once, and shows slivers', () => {
    const one = shape(20, 30, 80, 30, 20, 70);
    expect(silhouette([one, one], 100, 100)).toBe(silhouette([one], 100, 100));
    expect(areaOf(silhouette([shape(10, 50.2, 90, 50.3, 90, 50.4)], 100, 100))).toBeGreaterThanOrEqual(80);
  });

  it('is cut off at the edges of the picture, and as long for thousands of triangles as for one', () => {
    const path = silhouette([shape(-500, -500, 1500, -500, -500, 1600)], 50, 40);
    expect(areaOf(path)).toBe(50 * 40);
    const many = Array.from({ length: 5000 }, (_, i) => shape(i % 40, 0, 50, i % 40, 0, 40));
    expect(silhouette(many, 50, 40).length).toBeLessThan(50 * 40 * 6);
    expect(silhouette([shape(-9, -9, -5, -9, -9, -5)], 50, 40)).toBe('');
  });
});
