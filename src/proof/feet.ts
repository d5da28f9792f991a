import { SIDES } from '../skeleton/side.ts';
import { groundPath } from './carrying-paths.ts';
import { type Evidence, notMeasured } from './evidence.ts';
import { type FootPaths, floating, penetration } from './foot-heights.ts';
import type { BodyPoint, Measure, PlantRecord } from './measure.ts';
import { measurePlants } from './plants.ts';

/** Plant drift and travel, foot-roll slip, penetration and float; and the record of every contact. */
export function measureFeet(evidence: Evidence): { measures: Measure[]; plants: PlantRecord[] } {
  const { target, feet } = evidence;
  const paths: FootPaths[] = [];
  for (const side of SIDES) {
    const points = feet[side];
    if (points === null) continue;
    const follow = (point: BodyPoint) => groundPath(target, point, evidence.groundVelocity);
    paths.push({
      side,
      heel: follow(points.heel),
      ball: follow(points.ball),
      toe: points.toe ? follow(points.toe) : null,
    });
  }
  if (paths.length === 0 || target.frameCount === 0 || target.legLength === 0) {
    const why = target.frameCount === 0 ? 'the clip has no frames' : 'no leg with thigh, shin and foot was paired';
    const ids = ['plant-drift', 'plant-travel', 'foot-roll-slip', 'penetration', 'float'] as const;
    return { measures: ids.map((id) => notMeasured(evidence, id, why)), plants: [] };
  }
  const { measures, plants } = measurePlants(
    evidence,
    paths.map(({ side }) => side),
  );
  return { measures: [...measures, penetration(evidence, paths), floating(evidence, paths)], plants };
}
