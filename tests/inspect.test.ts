import { existsSync, readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { openFigure } from '../src/cli/figure.ts';
import { describeInspection, type Inspection, inspectFigure } from '../src/inspect.ts';

const data = new URL('../../shared/data/', import.meta.url);
const hasData = existsSync(data);

interface ClipTruth {
  humanoid: boolean;
  joints: number;
  frames: number;
  fps: number;
  duration_s: number;
  unit_to_m: number | null;
  zero_pose: { up: string; facing: string; kind: string; height: number };
  motion: { up: string; facing_at_start: string | number[]; first_motion_frame: number; floor: number };
}

interface RigTruth {
  humanoid: boolean;
  up: string;
  facing: string;
  rest_pose: string;
  bind_pose?: string | null;
  height: number;
  height_from: string;
  animations: number;
}

function truthOf<T>(folder: string): [string, T][] {
  if (!hasData) return [];
  return Object.entries(
    JSON.parse(readFileSync(new URL(`${folder}/truth.json`, data), 'utf8')).files as { [name: string]: T },
  );
}

async function inspect(path: string): Promise<Inspection> {
  return inspectFigure(await openFigure(fileURLToPath(new URL(path, data)), () => ({})));
}

/** `T with legs spread 20 degrees` → T; `arms down` → other. */
const poseKind = (words: string) => (/^[TA]\b/.test(words) ? words[0] : 'other');

/** Measures of length agree to this share: joints and mesh are measured a little differently by hand. */
const LENGTH_TOLERANCE = 0.02;

function expectNear(value: number, expected: number, tolerance: number): void {
  expect(Math.abs(value - expected), `${value} for ${expected}`).toBeLessThanOrEqual(tolerance);
}

// Outside source: facts of every file, measured by hand and kept beside the shared data (truth.json).
describe.skipIf(!hasData)('inspecting the clips of ../shared/data/bvh', () => {
  it.each(truthOf<ClipTruth>('bvh'))('%s gives its facts', async (name, truth) => {
    const inspection = await inspect(`bvh/${name}`);
    expect(inspection).toMatchObject({
      kind: 'clip',
      joints: truth.joints,
      humanoid: truth.humanoid,
      frames: truth.frames,
      up: truth.zero_pose.up,
      facing: truth.zero_pose.facing,
      restPose: poseKind(truth.zero_pose.kind),
      motion: { up: truth.motion.up, firstFrame: truth.motion.first_motion_frame },
    });
    expectNear(inspection.fps!, truth.fps, 0.005);
    expectNear(inspection.duration!, truth.duration_s, 0.006);
    expectNear(inspection.height, truth.zero_pose.height, truth.zero_pose.height * LENGTH_TOLERANCE);
    if (truth.unit_to_m !== null)
      expectNear(inspection.metresPerUnit, truth.unit_to_m, truth.unit_to_m * LENGTH_TOLERANCE);
    // The usual height of the lowest point, by eye: within 2 % of the figure.
    expectNear(inspection.motion!.floor, truth.motion.floor, truth.zero_pose.height * LENGTH_TOLERANCE);
  });
});

describe.skipIf(!hasData)('inspecting the rigs of ../shared/data/rigs', () => {
  it.each(truthOf<RigTruth>('rigs'))('%s gives its facts', async (name, truth) => {
    const inspection = await inspect(`rigs/${name}`);
    expect(inspection).toMatchObject({ kind: 'character', humanoid: truth.humanoid, frames: null });
    expect(inspection.animations).toHaveLength(truth.animations);
    if (!truth.humanoid) {
      expect(inspection.roles).toEqual({});
      expect(inspection.reason.length).toBeGreaterThan(10);
      return;
    }
    const reference = inspection.referencePose!.kind === 'bind pose' ? truth.bind_pose! : truth.rest_pose;
    expect(inspection).toMatchObject({ up: truth.up, facing: truth.facing, restPose: poseKind(reference) });
    if (truth.height_from.startsWith('mesh'))
      expectNear(inspection.height, truth.height, truth.height * LENGTH_TOLERANCE);
  });

  it('is told in words', async () => {
    const lines = describeInspection(await inspect('rigs/man_casual.glb'));
    expect(lines.join('\n')).toMatch(/humanoid +yes\n.*\n(.*\n)*.*rest pose +T\n(.*\n)*.*leftHand/);
  });
});
