import { csvCell } from '../csv.ts';
import type { SkeletonGroup } from '../groups.ts';
import type { UnusableInput } from '../plan.ts';
import { roundNumber } from '../records.ts';
import { DEFECT_KINDS, DEFECT_THRESHOLDS } from './defects.ts';
import { DUPLICATE_BELOW, type Duplicate } from './duplicates.ts';
import type { TriageEntry } from './triage-clip.ts';

/** What the forms of the summary are made from. */
export interface TriageFacts {
  entries: readonly TriageEntry[];
  groups: readonly SkeletonGroup[];
  unusable: readonly UnusableInput[];
  duplicates: readonly Duplicate[];
}

/** `triage.json`. Members may be added; those here keep their meaning. */
export interface TriageSummary {
  format: 'rigproof-triage';
  version: 1;
  thresholds: typeof DEFECT_THRESHOLDS & { duplicate: number };
  groups: { id: string; family: string; clips: number; joints: number; humanoid: boolean; doubts: string[] }[];
  unusable: { name: string; code: string; message: string }[];
  duplicates: Duplicate[];
  clips: TriageEntry[];
}

export function triageJson({ entries, groups, unusable, duplicates }: TriageFacts): string {
  const summary: TriageSummary = {
    format: 'rigproof-triage',
    version: 1,
    thresholds: { ...DEFECT_THRESHOLDS, duplicate: DUPLICATE_BELOW },
    groups: groups.map(({ id, family, clips, joints, body, doubts }) => ({
      id,
      family,
      clips,
      joints,
      humanoid: body?.humanoid ?? false,
      doubts,
    })),
    unusable: unusable.map(({ name, error }) => ({ name, code: error.code, message: error.message })),
    duplicates: [...duplicates],
    clips: [...entries],
  };
  return `${JSON.stringify(summary, roundNumber, 1)}\n`;
}

/** One line a clip; for each kind of defect the worst size. RFC 4180. */
export function triageCsv({ entries, duplicates }: TriageFacts): string {
  const twins = new Map<string, string>();
  for (const { a, b } of duplicates) {
    if (!twins.has(a)) twins.set(a, b);
    if (!twins.has(b)) twins.set(b, a);
  }
  const head = [
    'clip',
    'status',
    'group',
    'frames',
    'fps',
    'seconds',
    'joints',
    'metres a unit',
    'up',
    'height',
    'rest frames',
    'travel',
    'moving',
    'period',
    'repetition',
    'worst',
    ...DEFECT_KINDS,
    'duplicate of',
    'error',
  ];
  const lines = entries.map((entry) => {
    const twin = twins.get(entry.clip) ?? null;
    if (entry.status !== 'read')
      return [
        entry.clip,
        entry.status,
        entry.group,
        ...head.slice(3, -2).map(() => null),
        twin,
        `${entry.error.code}: ${entry.error.message}`,
      ];
    const { kind, defects } = entry;
    const worstOf = (which: string) => defects.find((defect) => defect.kind === which)?.size ?? null;
    return [
      entry.clip,
      entry.status,
      entry.group,
      entry.frames,
      entry.fps,
      entry.seconds,
      entry.joints,
      entry.metresPerUnit,
      entry.up,
      entry.height,
      entry.restFrames,
      kind.travel,
      kind.isMoving ? 'yes' : 'no',
      kind.period,
      kind.repetition,
      entry.worst,
      ...DEFECT_KINDS.map(worstOf),
      twin,
      null,
    ];
  });
  return [head, ...lines].map((cells) => `${cells.map(csvCell).join(',')}\r\n`).join('');
}
