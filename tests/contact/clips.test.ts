import { existsSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { detectContacts } from '../../src/contact/detect.ts';
import { legLengthOf, soleOfMotion } from '../../src/contact/measure-soles.ts';
import { footTrajectories } from '../../src/contact/trajectories.ts';
import type { ContactInterval } from '../../src/skeleton/contact-interval.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { truthClip } from '../support/truth-clip.ts';

const FOLDER = new URL('../../../shared/data/bvh/', import.meta.url);
const hasData = existsSync(FOLDER);
/**
 * Share of the gait cycle. Stance is about 60 % of a walking cycle at free speed: Perry & Burnfield, Gait Analysis
 * (handbook value). The ball point lies behind the toes, which are last to leave, hence a little less here; slow walks
 * stand longer.
 */
const STANCE_SHARE = { least: 0.52, most: 0.68 };

function detect(file: string) {
  const { skeleton, clip, roles, fps } = truthClip(FOLDER, file);
  const sole = soleOfMotion(skeleton, clip, roles);
  const scale = legLengthOf(skeleton, roles, sole);
  const found = detectContacts({ ...footTrajectories(skeleton, clip, sole), fps, scale });
  return { ...found, duration: (clip.frameCount - 1) / fps };
}

function isIn(contacts: readonly ContactInterval[], t: number): boolean {
  return contacts.some(({ start, end }) => t >= start && t <= end);
}

/** Stance over cycle, one for each cycle from heel strike to heel strike. */
function stanceShares(contacts: readonly ContactInterval[]): number[] {
  const shares: number[] = [];
  for (let i = 1; i < contacts.length; i++) {
    const { start, end } = contacts[i - 1]!;
    if (start > 0) shares.push((end - start) / (contacts[i]!.start - start));
  }
  return shares;
}

describe.skipIf(!hasData)('contacts of captured clips (need ../shared/data/bvh)', () => {
  it.each([
    ['cmu_walk.bvh', 3],
    ['figure8_walk.bvh', 8],
  ] as const)(
    '%s: %i steps or more a foot, each stance about 60 %% of its cycle, never both feet off',
    (file, steps) => {
      const found = detect(file);
      for (const side of SIDES) {
        const shares = stanceShares(found[side].foot);
        expect(found[side].foot.length).toBeGreaterThan(steps);
        const mean = shares.reduce((sum, share) => sum + share, 0) / shares.length;
        expect(mean).toBeGreaterThan(STANCE_SHARE.least);
        expect(mean).toBeLessThan(STANCE_SHARE.most);
        for (const share of shares) expect(Math.abs(share - mean)).toBeLessThan(0.1);
      }
      for (let t = 0; t < found.duration; t += 0.02) {
        expect(isIn(found.left.foot, t) || isIn(found.right.foot, t), `a foot at ${t.toFixed(2)} s`).toBe(true);
      }
    },
  );

  it('zup_zombie_walk.bvh: a shuffle with steps left and right in turn, never both feet off', () => {
    const found = detect('zup_zombie_walk.bvh');
    const steps = SIDES.flatMap((side) => found[side].foot.slice(1).map(({ start }) => ({ side, start })));
    steps.sort((a, b) => a.start - b.start);
    for (let i = 1; i < steps.length; i++) expect(steps[i]!.side).not.toBe(steps[i - 1]!.side);
    expect(steps.length).toBeGreaterThan(25);
    for (let t = 0; t < found.duration; t += 0.02) {
      expect(isIn(found.left.foot, t) || isIn(found.right.foot, t), `a foot at ${t.toFixed(2)} s`).toBe(true);
    }
  });

  it('cmu_jumping_jacks.bvh: both feet off the floor between landings, seven contacts each', () => {
    const found = detect('cmu_jumping_jacks.bvh');
    let airborne = 0;
    let flights = 0;
    let before = false;
    for (let t = 0; t < found.duration; t += 0.01) {
      const off = !isIn(found.left.foot, t) && !isIn(found.right.foot, t);
      if (off) airborne += 0.01;
      if (off && !before) flights++;
      before = off;
    }
    expect(flights).toBeGreaterThanOrEqual(6);
    expect(airborne / found.duration).toBeGreaterThan(0.35);
    expect(airborne / found.duration).toBeLessThan(0.65);
  });

  it.each(['zup_wave_hello.bvh', 'armsdown_stand_short.bvh'])('%s: both feet stand the whole clip', (file) => {
    const found = detect(file);
    for (const side of SIDES) {
      expect(found[side].foot).toHaveLength(1);
      expect(found[side].foot[0]!.start).toBe(0);
      expect(found[side].foot[0]!.end).toBeCloseTo(found.duration, 6);
    }
  });

  it('armsdown_19_joints.bvh: the left foot stands all the time while the right knee goes down and up', () => {
    const found = detect('armsdown_19_joints.bvh');
    expect(found.left.foot).toHaveLength(1);
    expect(found.left.foot[0]!.end - found.left.foot[0]!.start).toBeCloseTo(found.duration, 6);
    // The truth table has the kneeling from about 4.5 s to 11.5 s: the right heel is up between.
    expect(isIn(found.right.heel, 2)).toBe(true);
    expect(isIn(found.right.heel, 8)).toBe(false);
    expect(isIn(found.right.heel, 14)).toBe(true);
  });
});
