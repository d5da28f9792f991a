import type { RigReport } from '../proof/sheet-rig.ts';
import type { Audit, FindingId } from '../rig/audit.ts';
import { describePlace, formatFindingValue } from '../rig/report-text.ts';

/** What lets skin stay behind or go astray when the body moves. The audit's own exercise shows the same, so it is no cause. */
const TEARING: ReadonlySet<FindingId> = new Set([
  'no-weight',
  'negative-weight',
  'weight-sum',
  'control-weight',
  'bleed',
  'inverse-bind',
  'many-influences',
  'limb-chain',
]);

/** An audit as the proof sheet shows it (`SheetContext.rig`). */
export function rigReport({ findings }: Audit): RigReport {
  return {
    findings: findings.map(({ id, severity, title, meaning, remedy, value, threshold, unit, where }) => ({
      severity,
      title,
      meaning,
      remedy,
      // A count is told by the places.
      measured:
        unit === 'count' ? '' : `${formatFindingValue(value, unit)}, allowed ${formatFindingValue(threshold, unit)}.`,
      tearsSkin: TEARING.has(id),
      where: where.map((place) => ({
        text: describePlace(place),
        joints: place.joints,
        mesh: place.mesh,
        vertices: place.vertices,
      })),
    })),
  };
}
