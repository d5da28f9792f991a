import { describe, expect, it } from 'vitest';
import type { Measure, ProofFigure } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { createClip } from '../../src/skeleton/clip.ts';
import { axisAngle, product } from '../support/quat.ts';
import { buildWalker } from '../support/walker.ts';

const { skeleton, roles, legLength } = buildWalker();
const FPS = 60;
const FRAMES = 240;
/** Frames in which the hands rest, both included; an arm is on its way to and from there for 0.6 s. */
const REST: [number, number] = [100, 129];
const ON_ITS_WAY = 36;

/** Shoulders 0.32 m apart, forearms of 0.25 m: turned in by this angle (radians) the hands meet. */
const TOGETHER = Math.asin(0.16 / 0.25);
/** Hips, spine, chest and shoulder of the rest pose: how high a hand is that is held straight ahead, metres. */
const HAND_HEIGHT = 0.9 + 0.1 + 0.15 + 0.12;

type Rest = 'nothing' | 'each other' | 'floor';

/** Arms straight ahead but for the rest; in some frames the left upper arm is turned away by 0.2 rad. */
function reaching(rest: Rest, off: [number, number] | null = null): ProofFigure {
  const clip = createClip('reach', FRAMES, 1 / FPS, skeleton.jointCount, [roles.hips!]);
  for (let f = 0; f < FRAMES; f++) {
    const at = f * skeleton.jointCount;
    const resting = f >= REST[0] && f <= REST[1];
    for (let j = 0; j < skeleton.jointCount; j++) clip.rotations[(at + j) * 4 + 3] = 1;
    for (const [side, s] of [
      ['left', 1],
      ['right', -1],
    ] as const) {
      const ahead = axisAngle(0, 1, 0, (-s * Math.PI) / 2);
      const isOff = off && side === 'left' && f >= off[0] && f <= off[1];
      clip.rotations.set(isOff ? product(ahead, axisAngle(0, 0, 1, 0.2)) : ahead, (at + roles[`${side}UpperArm`]!) * 4);
      const inward = resting && rest === 'each other' ? TOGETHER : 0;
      clip.rotations.set(axisAngle(0, 1, 0, -s * inward), (at + roles[`${side}LowerArm`]!) * 4);
    }
    // Down until the hands are 0.1 m over the floor.
    const down = resting && rest === 'floor' ? HAND_HEIGHT - 0.1 : 0;
    clip.translations.set([0, skeleton.restTranslations[roles.hips! * 3 + 1]! - down, 0], f * 3);
  }
  return { skeleton, clip, roles };
}

function handsReach(target: ProofFigure, source: ProofFigure): Measure {
  return prove(target, source).measures.find(({ id }) => id === 'limb-target-hands')!;
}

/** Frames of the left arm that were judged. */
function judged({ details }: Measure): number {
  return (details as { leftArm: { frames: number } }).leftArm.frames;
}

describe('Hands reach', () => {
  const around: [number, number] = [REST[0] - ON_ITS_WAY, REST[1] + ON_ITS_WAY];

  it.each(['each other', 'floor'] as const)(
    'leaves out hands that rest on %s, and their way there and back',
    (rest) => {
      const reach = handsReach(reaching(rest, around), reaching(rest));
      expect(reach).toMatchObject({ verdict: 'pass', where: [] });
      expect(reach.value).toBeLessThan(1e-6);
      expect(judged(reach)).toBe(FRAMES - (around[1] - around[0] + 1));
    },
  );

  it.each(['each other', 'floor'] as const)('judges the frames before hands go to rest on %s', (rest) => {
    const off: [number, number] = [around[0] - 30, around[0] - 1];
    const reach = handsReach(reaching(rest, off), reaching(rest));
    // A straight arm of 0.53 m that is turned by 0.2 rad: its end moves by twice the sine of half of it.
    expect(reach.value! * legLength).toBeCloseTo(2 * Math.sin(0.1) * 0.53, 5);
    expect(reach).toMatchObject({ verdict: 'fail', where: [{ role: 'leftHand', frames: off }] });
  });

  it('judges every frame where the source touches nothing', () => {
    const reach = handsReach(reaching('nothing', around), reaching('nothing'));
    expect(reach).toMatchObject({ verdict: 'fail', where: [{ role: 'leftHand', frames: around }] });
    expect(judged(reach)).toBe(FRAMES);
  });

  it('goes by where the hands of the source are, not by those of the target', () => {
    expect(judged(handsReach(reaching('each other'), reaching('nothing')))).toBe(FRAMES);
  });

  describe('where the floor stops a hand', () => {
    /** Shoulders so far under the floor that a level arm is 0.2 m in it. */
    const DEPTH = 0.2;

    /** Arms ahead as those of the source, the body lowered while they rest, and the arms turned up by an angle. */
    function sunk(up: number): ProofFigure {
      const figure = reaching('nothing');
      const { rotations, translations } = figure.clip;
      for (let f = REST[0]; f <= REST[1]; f++) {
        translations[f * 3 + 1]! -= HAND_HEIGHT + DEPTH;
        for (const [side, s] of [
          ['left', 1],
          ['right', -1],
        ] as const) {
          const at = (f * skeleton.jointCount + roles[`${side}UpperArm`]!) * 4;
          rotations.set(product(axisAngle(1, 0, 0, -up), axisAngle(0, 1, 0, (-s * Math.PI) / 2)), at);
        }
      }
      return figure;
    }

    /** An arm of 0.53 m whose end is 0.2 m higher than its root. */
    const ONTO = Math.asin(DEPTH / 0.53);

    it('judges it against the floor, not against what lies under it', () => {
      // Turned up onto the floor, the wrist is nearer to the body than the source's: by so much, and no more.
      const onFloor = handsReach(sunk(ONTO), reaching('nothing'));
      const nearer = 0.53 * (1 - Math.cos(ONTO));
      expect((onFloor.details.worst as number) * legLength).toBeCloseTo(nearer, 5);
      const below = handsReach(sunk(0), reaching('nothing'));
      expect((below.details.worst as number) * legLength).toBeCloseTo(DEPTH, 5);
      expect(below.where).toMatchObject([{ frames: REST }, { frames: REST }]);
    });

    it('leaves out its way there and back', () => {
      expect(judged(handsReach(sunk(ONTO), reaching('nothing')))).toBe(FRAMES - 2 * ON_ITS_WAY);
    });
  });
});
