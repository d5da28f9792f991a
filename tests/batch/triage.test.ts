import { existsSync } from 'node:fs';
import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import { TRACKED_ROLES, trackBody } from '../../src/batch/triage/body-track.ts';
import { type DefectKind, findDefects } from '../../src/batch/triage/defects.ts';
import { triageLibrary } from '../../src/batch/triage/run.ts';
import type { TriageSummary } from '../../src/batch/triage/summary.ts';
import type { TriagedClip, TriageEntry } from '../../src/batch/triage/triage-clip.ts';
import { openFile } from '../../src/convert/node.ts';
import { performerFromBvh } from '../../src/convert/performer.ts';
import { scratchFolder } from '../support/scratch.ts';
import { frames } from './library.ts';

const DATA = new URL('../../../shared/data/bvh/', import.meta.url);
const folder = scratchFolder();

/** A BVH clip as lines: its head, and its frames as values. */
function taken(bvh: Uint8Array): { head: string[]; rows: number[][] } {
  const lines = new TextDecoder().decode(bvh).trimEnd().split('\n');
  const motion = lines.findIndex((line) => line.startsWith('MOTION'));
  return {
    head: lines.slice(0, motion + 3),
    rows: lines.slice(motion + 3).map((line) => line.trim().split(/\s+/).map(Number)),
  };
}

function written({ head, rows }: { head: string[]; rows: number[][] }): string {
  return `${[...head.map((line) => (line.startsWith('Frames:') ? `Frames: ${rows.length}` : line)), ...rows.map((row) => row.join(' '))].join('\n')}\n`;
}

/** First value of each joint in a row, and how many it has. */
function columnsOf(head: string[]): Map<string, [number, number]> {
  const columns = new Map<string, [number, number]>();
  let at = 0;
  let name = '';
  for (const line of head) {
    name = /(?:ROOT|JOINT)\s+(\S+)/.exec(line)?.[1] ?? name;
    const count = Number(/CHANNELS\s+(\d+)/.exec(line)?.[1] ?? 0);
    if (count > 0) columns.set(name, [at, count]);
    at += count;
  }
  return columns;
}

const CLIP = 'night-round.bvh';
const made = new Map<string, TriageEntry>();
let plain: { head: string[]; rows: number[][] };
const read = (name: string) => {
  const entry = made.get(name)!;
  expect(entry.status).toBe('read');
  return entry as TriagedClip;
};
const defectsOf = (name: string, kind: DefectKind) => read(name).defects.filter((defect) => defect.kind === kind);

describe('triage', () => {
  let summary: Awaited<ReturnType<typeof triageLibrary>>;

  beforeAll(async () => {
    const bytes = frames((await makeSamples()).get(CLIP)!, 0, 300);
    plain = taken(bytes);
    const columns = columnsOf(plain.head);
    const files = new Map<string, string>([['plain.bvh', written(plain)]]);
    const change = (name: string, edit: (rows: number[][]) => number[][]) =>
      files.set(name, written({ head: plain.head, rows: edit(plain.rows.map((row) => [...row])) }));
    // Height of the hips: a length in the unit of the sample.
    const hip = plain.rows[0]![1]!;
    change('spike.bvh', (rows) => {
      rows[120]![0]! += hip * 0.6;
      return rows;
    });
    change('gap.bvh', (rows) => rows.map((row, f) => (f > 140 && f < 170 ? [...rows[140]!] : row)));
    const knee = columns.get('tibia_l')!;
    change('frozen.bvh', (rows) =>
      rows.map((row, f) => {
        const [at, count] = knee;
        if (f > 100 && f < 200) for (let k = 0; k < count; k++) row[at + k] = rows[100]![at + k]!;
        return row;
      }),
    );
    change('moved.bvh', (rows) => rows.map((row) => [row[0]! + 3 * hip, row[1]!, row[2]! - 2 * hip, ...row.slice(3)]));
    change('sinking.bvh', (rows) =>
      rows.map((row, f) => [row[0]!, row[1]! - (0.2 * hip * f) / rows.length, ...row.slice(2)]),
    );
    change('sliding.bvh', (rows) => rows.map((row, f) => [row[0]! + 0.12 * hip * Math.sin(f / 12), ...row.slice(1)]));
    files.set('broken.bvh', written(plain).slice(0, 400));
    for (const [name, text] of files) await writeFile(join(folder, name), text);
    summary = await triageLibrary({ clips: [folder], outputFolder: join(folder, 'out'), workers: 2, sampleFps: 60 });
    for (const entry of summary.entries) made.set(entry.clip, entry);
  });

  it('finds no capture fault in a clip that has none', () => {
    expect(read('plain.bvh').defects).toEqual([]);
    expect(read('plain.bvh')).toMatchObject({ fps: 60, frames: 300 });
  });

  it('finds a jump of one frame, and the frame', () => {
    const [spike] = defectsOf('spike.bvh', 'spike');
    expect(spike!.frames[0]).toBeGreaterThanOrEqual(118);
    expect(spike!.frames[1]).toBeLessThanOrEqual(122);
  });

  it('finds frames that were filled with a copy', () => {
    const [gap, ...more] = defectsOf('gap.bvh', 'gap');
    expect(more).toEqual([]);
    expect(gap!.frames).toEqual([140, 169]);
    expect(gap!.size).toBeCloseTo(29 / 60, 6);
  });

  it('finds a joint that stops while the body goes on', () => {
    const found = defectsOf('frozen.bvh', 'frozen joint');
    expect(found.map(({ role, frames: [from, to] }) => [role, from, to])).toEqual([
      [expect.stringMatching(/LowerLeg$/), 100, 199],
    ]);
  });

  it('finds a floor that sinks under the feet', () => {
    expect(defectsOf('sinking.bvh', 'floor drift')).toHaveLength(1);
    expect(defectsOf('sinking.bvh', 'floor drift')[0]!.size).toBeGreaterThan(0.1);
  });

  it('finds feet that slide', () => {
    expect(defectsOf('sliding.bvh', 'foot slide').length).toBeGreaterThan(0);
  });

  it('finds the frame at which left and right change places', async () => {
    const opened = await openFile(join(folder, 'plain.bvh'));
    if (opened.kind !== 'clip') throw new Error('The sample is a clip.');
    const performer = performerFromBvh('plain.bvh', opened.file.takes[0]!, []);
    const track = trackBody(performer);
    const stride = TRACKED_ROLES.length * 3;
    const [left, right] = [TRACKED_ROLES.indexOf('leftFoot') * 3, TRACKED_ROLES.indexOf('rightFoot') * 3];
    for (let f = 150; f < track.frameCount; f++) {
      for (let k = 0; k < 3; k++) {
        const at = f * stride + k;
        const was = track.positions[at + left]!;
        track.positions[at + left] = track.positions[at + right]!;
        track.positions[at + right] = was;
      }
    }
    const found = findDefects(performer, track).filter(({ kind }) => kind === 'swapped sides');
    const first = performer.droppedFrames;
    expect(found.map((defect) => defect.frames)).toEqual([[149 + first, 150 + first]]);
  });

  it('finds a clip that was only moved to another place, and no other twin', () => {
    const twins = summary.duplicates.filter(({ a, b }) => a === 'moved.bvh' || b === 'moved.bvh');
    expect(twins.map(({ a, b }) => [a, b])).toContainEqual(['moved.bvh', 'plain.bvh']);
    expect(twins[0]!.distance).toBeLessThan(1e-4);
  });

  it('tells what cannot be read, and goes on', () => {
    expect(made.get('broken.bvh')).toMatchObject({
      status: 'unreadable',
      error: { code: expect.stringMatching(/^BVH_/) },
    });
  });

  it('writes all three forms', async () => {
    const json = JSON.parse(await readFile(summary.files!.json, 'utf8')) as TriageSummary;
    expect(json.clips.map(({ clip }) => clip)).toEqual([...made.keys()]);
    const csv = (await readFile(summary.files!.csv, 'utf8')).trimEnd().split('\r\n');
    expect(csv).toHaveLength(made.size + 1);
    expect(csv[0]).toMatch(/^clip,status,group,frames,fps/);
    const html = await readFile(summary.files!.html, 'utf8');
    expect(html).toMatch(/^<!doctype html>/);
    // The picture of the frame that jumps, as the file counts it.
    expect(html).toMatch(/spike<\/h3><p class="when">frame 1(19|20|21),/);
    expect(html).not.toMatch(/(?:src|href)="(?:https?:)?\/\//);
  });
});

describe.skipIf(!existsSync(DATA))('triage of real captures (needs ../shared/data/bvh)', () => {
  it('knows a walk by its cycle, and finds the spike that the data set is known for', async () => {
    const clips = ['cmu_walk.bvh', 'figure8_walk.bvh', 'cmu_salsa_spikes.bvh', 'armsdown_stand_short.bvh'];
    const { entries } = await triageLibrary({
      clips: clips.map((name) => new URL(name, DATA).pathname),
      outputFolder: null,
      workers: 2,
      sampleFps: 60,
    });
    const of = (name: string) => entries.find(({ clip }) => clip === name) as TriagedClip;
    // A stride of an adult's walk takes about 1.0 to 1.3 s: Perry & Burnfield 2010, Gait Analysis, 2nd ed., chapter 28.
    for (const name of ['cmu_walk.bvh', 'figure8_walk.bvh']) {
      expect(of(name).kind.period).toBeGreaterThan(0.9);
      expect(of(name).kind.period).toBeLessThan(1.4);
      expect(of(name).kind.isMoving).toBe(true);
    }
    // FACTS.md of the shared data: jumps 55 cm in one frame near frame 356.
    const spike = of('cmu_salsa_spikes.bvh').defects.find(({ kind }) => kind === 'spike')!;
    expect(spike.size).toBeGreaterThan(0.4);
    expect(spike.frames[0]).toBeLessThanOrEqual(358);
    expect(spike.frames[1]).toBeGreaterThanOrEqual(355);
    expect(of('armsdown_stand_short.bvh').kind).toMatchObject({ isMoving: false, period: null });
  });
});
