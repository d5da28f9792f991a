import { describe, expect, it } from 'vitest';
import { compareRuns } from '../../src/batch/baseline.ts';
import type { MeasureRow } from '../../src/batch/job.ts';
import { BATCH_DEFAULTS } from '../../src/batch/settings.ts';
import type { BatchSummary, SummaryJob } from '../../src/batch/summary-format.ts';

function measure(id: MeasureRow['id'], value: number | null, threshold = 0.01): MeasureRow {
  const verdict = value === null ? 'not measured' : value > threshold ? 'fail' : 'pass';
  return { id, unit: 'leg length', value, threshold, verdict };
}

function job(clip: string, measures: MeasureRow[]): SummaryJob {
  const verdict = measures.some((m) => m.verdict === 'fail') ? 'fail' : 'pass';
  return {
    output: clip,
    key: clip,
    clip,
    character: 'hero',
    group: 'g',
    status: 'done',
    animation: clip,
    frames: 1,
    fps: 30,
    outputs: [],
    pack: null,
    sheet: null,
    verdict,
    counts: { pass: 0, fail: 0, notMeasured: 0 },
    measures,
    worst: null,
    warnings: [],
  };
}

function summary(jobs: SummaryJob[]): BatchSummary {
  const counts = { jobs: jobs.length, pass: 0, fail: 0, notMeasured: 0, unreadable: 0, missing: 0, unusable: 0 };
  return {
    format: 'rigproof-batch',
    version: 1,
    tool: '0',
    counts,
    settings: BATCH_DEFAULTS,
    characters: [],
    groups: [],
    unusable: [],
    jobs,
  };
}

const compare = (before: MeasureRow[], after: MeasureRow[]) =>
  compareRuns(summary([job('a', before)]), summary([job('a', after)]));

describe('a comparison with an earlier run', () => {
  it('finds nothing between two equal runs', () => {
    const one = summary([job('a', [measure('float', 0.004)]), job('b', [measure('float', 0.02)])]);
    expect(compareRuns(one, one)).toEqual({ better: [], worse: [], added: 0, removed: 0, same: 2 });
  });

  it.each([
    ['within the tolerance is no change', 0.004, 0.0044, 'same'],
    ['beyond the tolerance is worse, though it still passes', 0.004, 0.006, 'worse'],
    ['beyond the tolerance is better, though it still fails', 0.03, 0.02, 'better'],
    ['that no longer passes is worse, however little it moved', 0.00999, 0.01001, 'worse'],
    ['that passes now is better, however little it moved', 0.01001, 0.00999, 'better'],
    ['that can no longer be taken is worse', 0.004, null, 'worse'],
  ])('a measure %s', (_, before, after, expected) => {
    const { better, worse, same } = compare([measure('float', before)], [measure('float', after)]);
    expect({ better: better.length, worse: worse.length, same }).toEqual({
      better: expected === 'better' ? 1 : 0,
      worse: expected === 'worse' ? 1 : 0,
      same: expected === 'same' ? 1 : 0,
    });
  });

  it('counts a new clip that fails, a clip that can no longer be read, and clips that are gone', () => {
    const before = summary([job('a', [measure('float', 0)]), job('gone', [])]);
    const broken: SummaryJob = {
      output: 'a',
      key: 'a',
      clip: 'a',
      character: 'hero',
      group: 'g',
      status: 'unreadable',
      error: { code: 'BVH_X', message: '', place: {}, hint: null },
    };
    const after = summary([broken, job('new', [measure('float', 1)]), job('new-and-good', [measure('float', 0)])]);
    const { worse, added, removed } = compareRuns(before, after);
    expect({ added, removed }).toEqual({ added: 2, removed: 1 });
    expect(worse.map(({ clip, before, after }) => [clip, before, after])).toEqual([
      ['a', 'pass', 'unreadable'],
      ['new', null, 'fail'],
    ]);
  });
});
