import { describe, expect, it } from 'vitest';
import type { ProofFigure, ProofOptions } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { MEASURE_RULES, type MeasureId } from '../../src/proof/thresholds.ts';
import type { Skeleton } from '../../src/skeleton/skeleton.ts';
import { moved, turned } from '../support/altered-clip.ts';
import { buildWalker } from '../support/walker.ts';

const walker = buildWalker();
const { skeleton, clip, roles, contacts, legLength } = walker;
const source: ProofFigure = { skeleton, clip, roles };
const last = clip.frameCount - 1;
const RADIANS = Math.PI / 180;

/** Hip joints three times as far out. */
const broad: Skeleton = { ...skeleton, restTranslations: skeleton.restTranslations.slice() };
for (const joint of [roles.leftUpperLeg!, roles.rightUpperLeg!]) broad.restTranslations[joint * 3]! *= 3;

/** Turns the right leg in some frames, and leads the pelvis away in some. */
function led(
  legFrames: [number, number],
  degrees: number,
  hipFrames: [number, number],
  share: number,
  onto = skeleton,
) {
  const leant = { ...walker, clip: turned(clip, roles.rightUpperLeg!, legFrames, [1, 0, 0], degrees * RADIANS) };
  const away = moved(leant, roles.hips!, (f) => [f >= hipFrames[0] && f <= hipFrames[1] ? share * legLength : 0, 0, 0]);
  return { skeleton: onto, roles, clip: away };
}

function remedyOf(target: ProofFigure, id: MeasureId, options: ProofOptions = { contacts }): string {
  const measure = prove(target, source, options).measures.find((m) => m.id === id)!;
  expect(measure.verdict).toBe('fail');
  return measure.remedy!;
}

describe('the remedy for legs that plants lead', () => {
  const tenth: [number, number] = [60, 60 + Math.ceil(0.1 * last)];

  it('names the pelvis where it is led away while the pose is off', () => {
    const remedy = remedyOf(led(tenth, 30, tenth, 0.2), 'pose-fidelity');
    expect(remedy).toMatch(/^In these frames the pelvis is led away by up to 20 % of the leg/);
    expect(remedy).toContain('--no-contact');
    expect(remedy).not.toContain('Elsewhere');
  });

  it('names the width of hips that are broad for their legs', () => {
    const remedy = remedyOf(led(tenth, 30, tenth, 0.2, broad), 'pose-fidelity');
    // 0.18 m between the hip joints of the walker, on legs of 0.82 m.
    expect(remedy).toContain('The hips of the rig are 0.66 leg lengths apart, those of the performer 0.22');
  });

  it.each([
    ['is at home', led(tenth, 30, tenth, 0)],
    ['is led away at another time', led(tenth, 30, [0, 20], 0.2)],
    ['is led away, but the pose is off in every frame', led([0, last], 30, tenth, 0.2)],
  ])('is that of the pairing where the pelvis %s', (_, target) => {
    expect(remedyOf(target, 'pose-fidelity')).toBe(MEASURE_RULES['pose-fidelity'].remedy);
  });

  it('names a pelvis that moves at once where a leg pops', () => {
    expect(remedyOf(led([100, 100], 15, [100, 100], 0.03), 'pops')).toMatch(
      /^In these frames the hips change their pace by up to 3\.0 % of the leg within a frame/,
    );
    expect(remedyOf(led([100, 100], 15, [130, 130], 0.03), 'pops')).toBe(MEASURE_RULES.pops.remedy);
    // A pelvis that is led away, but smoothly, makes no pop.
    expect(remedyOf(led([100, 100], 15, [60, 140], 0.1), 'pops')).toBe(MEASURE_RULES.pops.remedy);
  });

  it('names broad hips that a turn of the pelvis swings where a leg pops', () => {
    // 4 degrees about the axis ahead, on hips 0.27 m from the middle, where the source's are 0.09 m from it.
    const source = { skeleton, roles, clip: turned(clip, roles.hips!, [100, 100], [0, 0, 1], 4 * RADIANS) };
    const target = {
      ...source,
      skeleton: broad,
      clip: turned(source.clip, roles.rightUpperLeg!, [100, 100], [1, 0, 0], 0.3),
    };
    const pops = prove(target, source, { contacts }).measures.find(({ id }) => id === 'pops')!;
    expect(pops.remedy).toMatch(
      /^In these frames the hips change their pace by up to 1\.5 % .* 0\.66 leg lengths apart/,
    );
  });

  it('says what it does not explain', () => {
    const both = led([100, 100], 15, [100, 100], 0.03);
    const armToo = { ...both, clip: turned(both.clip, roles.leftLowerArm!, [50, 50], [0, 1, 0], 15 * RADIANS) };
    expect(remedyOf(armToo, 'pops')).toMatch(/^In these frames the hips .* Elsewhere: Look at the frames named here/);
  });

  it('names plants that could not be reached before anything else', () => {
    const second = walker.clip.frameDuration;
    const plant = { start: 95 * second, end: 105 * second, frames: [95, 105] as [number, number], distance: 0.01 };
    const unreached = [{ ...plant, side: 'right' as const, share: 0.012, cause: 'pelvis speed' as const }];
    const remedy = remedyOf(led([100, 100], 15, [100, 100], 0.03), 'pops', { contacts, unreached });
    expect(remedy).toMatch(/^could not be reached: right foot, frames 95–105: the leg is 1\.20 % too short/);
  });

  it('names broad hips where the pelvis is not smooth', () => {
    // 5 mm to and fro from frame to frame.
    const shaken = (onto: Skeleton) => ({
      skeleton: onto,
      roles,
      clip: moved(walker, roles.hips!, (f) => [f % 2 === 0 ? 0.005 : 0, 0, 0]),
    });
    expect(remedyOf(shaken(skeleton), 'root-smoothness')).toBe(MEASURE_RULES['root-smoothness'].remedy);
    expect(remedyOf(shaken(broad), 'root-smoothness')).toMatch(
      /reach their plants\. The hips of the rig are 0\.66 leg/,
    );
  });
});
