import { describe, expect, it } from 'vitest';
import { readJointMotion } from '../../src/pairing/motion-evidence.ts';
import { readMotionFrame } from '../../src/pairing/motion-frame.ts';
import { readBody } from '../../src/pairing/read-body.ts';
import { type Clip, createClip } from '../../src/skeleton/clip.ts';
import type { Skeleton } from '../../src/skeleton/skeleton.ts';
import { biped } from '../support/biped.ts';
import { axisAngle, product } from '../support/quat.ts';

type Quat = Float64Array;

const about = (x: number, y: number, z: number, degrees: number): Quat => axisAngle(x, y, z, (degrees * Math.PI) / 180);

interface MotionOptions {
  frames?: number;
  /** Added to the root's place, a frame. */
  place?: (f: number) => [number, number, number];
  /** Turns the root, a frame. */
  turn?: (f: number) => Quat;
  /** Local rotation of a joint, a frame. */
  pose?: (name: string, f: number) => Quat | null;
}

/** A clip on a skeleton whose rest rotations are all the identity. */
function motionOf(skeleton: Skeleton, { frames = 60, place, turn, pose }: MotionOptions): Clip {
  const clip = createClip('made', frames, 1 / 120, skeleton.jointCount, [0]);
  for (let f = 0; f < frames; f++) {
    for (let j = 0; j < skeleton.jointCount; j++) {
      const local = pose?.(skeleton.names[j]!, f) ?? [0, 0, 0, 1];
      const at = (f * skeleton.jointCount + j) * 4;
      clip.rotations.set(j === 0 && turn ? product(turn(f), local) : local, at);
    }
    const [x, y, z] = place?.(f) ?? [0, 0, 0];
    const rest = skeleton.restTranslations;
    clip.translations.set([rest[0]! + x, rest[1]! + y, rest[2]! + z], f * 3);
  }
  return clip;
}

const skeleton = biped();
/** Arms swing and knees bend a little: the motion itself. */
const sway = (name: string, f: number): Quat | null => {
  const wave = Math.sin(f / 7);
  if (/UpperArm/.test(name)) return about(0, 0, 1, (name.startsWith('left') ? -1 : 1) * (50 + 5 * wave));
  if (/LowerLeg/.test(name)) return about(1, 0, 0, 15 + 10 * wave);
  return null;
};
const read = (clip: Clip) => readMotionFrame(skeleton, clip, readBody({ skeleton, clip }));

describe('readMotionFrame', () => {
  it('finds the up axis of the motion where it is not that of the zero pose, and says so', () => {
    const motion = read(motionOf(skeleton, { pose: sway, turn: () => about(1, 0, 0, 90) }));
    expect(motion.up).toEqual([0, 0, 1]);
    expect(motion.notes.map(({ code }) => code)).toContain('PAIR_MOTION_UP');
  });

  it('keeps the zero pose up, with a doubt, when the body lies for half of the time', () => {
    const motion = read(
      motionOf(skeleton, {
        pose: sway,
        turn: (f) => about(0, 1, 0, f * 6).map((v, k) => (f % 2 ? about(1, 0, 0, f * 12)[k]! : v)) as Quat,
      }),
    );
    expect(motion.up).toEqual([0, 1, 0]);
  });

  it('gives the facing at the start', () => {
    const motion = read(motionOf(skeleton, { pose: sway, turn: () => about(0, 1, 0, 90) }));
    expect(motion.facingAtStart[0]).toBeCloseTo(1, 1);
    expect(motion.facingAtStart[1]).toBeCloseTo(0, 5);
  });

  it('puts the floor where the lowest point comes down to, not where a jump or a spike goes', () => {
    const lift = (f: number): number => (f % 30 < 12 ? 0 : 0.2 * Math.sin(((f % 30) - 12) / 6));
    const still = motionOf(skeleton, { frames: 120 });
    const level = read(still).floor;
    const jumping = motionOf(skeleton, {
      frames: 120,
      place: (f) => [0, 0.3 + Math.abs(lift(f)) - (f === 77 ? 2 : 0), 0],
    });
    expect(read(jumping).floor).toBeCloseTo(level + 0.3, 2);
  });

  it('finds a rest pose at the start, and a blend out of it', () => {
    const far = [3, 0.4, 2] as const;
    const at = (share: number): [number, number, number] => [far[0] * share, far[1] * share, far[2] * share];
    const bare = motionOf(skeleton, {
      pose: (n, f) => (f === 0 ? null : sway(n, f)),
      place: (f) => at(f === 0 ? 0 : 1),
    });
    expect(read(bare).firstMotionFrame).toBe(1);
    // Blends slow down towards the motion; the fifth frame is the motion itself.
    const shares = [0, 0.45, 0.72, 0.88, 0.97, 1];
    const share = (f: number): number => shares[f] ?? 1;
    const blended = motionOf(skeleton, {
      pose: (n, f) => {
        const target = sway(n, f);
        if (!target || share(f) === 1) return target;
        const [x, y, z, w] = [...target] as [number, number, number, number];
        const angle = 2 * Math.acos(Math.min(1, w)) * share(f);
        const sine = Math.hypot(x, y, z) || 1;
        return about(x / sine, y / sine, z / sine, (angle * 180) / Math.PI);
      },
      place: (f) => at(share(f)),
    });
    expect(read(blended).firstMotionFrame).toBe(5);
  });

  it('drops nothing where the clip starts with the motion, fast or in a T-pose', () => {
    expect(read(motionOf(skeleton, { pose: sway })).firstMotionFrame).toBe(0);
    expect(
      read(motionOf(skeleton, { frames: 90, pose: (n, f) => (f < 40 ? null : sway(n, f - 40)) })).firstMotionFrame,
    ).toBe(0);
    const fast = motionOf(skeleton, { pose: sway, place: (f) => [0.08 * f, 0, 0] });
    expect(read(fast).firstMotionFrame).toBe(0);
  });

  it('reports a jump in the middle as a fault of the capture, with its frames', () => {
    const motion = read(motionOf(skeleton, { pose: sway, place: (f) => [f === 30 ? 0.6 : 0, 0, 0] }));
    expect(motion.jumps).toHaveLength(1);
    expect(motion.jumps[0]).toMatchObject({ from: 29, to: 31 });
    expect(motion.jumps[0]!.distance).toBeCloseTo(0.6, 1);
    expect(motion.notes.map(({ code }) => code)).toContain('PAIR_CAPTURE_JUMP');
  });

  it('doubts a rate at which the feet fly, and not a slow one', () => {
    const kick = (n: string, f: number): Quat | null =>
      /leftUpperLeg/.test(n) ? about(1, 0, 0, 45 * Math.sin(f * 0.16)) : sway(n, f);
    expect(read(motionOf(skeleton, { frames: 200, pose: kick })).notes.map(({ code }) => code)).toContain(
      'PAIR_RATE_DOUBT',
    );
    expect(read(motionOf(skeleton, { frames: 200, pose: sway })).notes).toEqual([]);
  });

  it.each([0, 1, 2])('reads a clip of %i frames', (frames) => {
    const motion = read(motionOf(skeleton, { frames }));
    expect(motion.up).toEqual([0, 1, 0]);
    expect(motion.firstMotionFrame).toBe(0);
    expect(Number.isFinite(motion.floor)).toBe(true);
  });
});

describe('readJointMotion', () => {
  it('tells a hinge from a ball joint by its singular values, with axis and range', () => {
    const clip = motionOf(skeleton, {
      frames: 90,
      pose: (n, f) => {
        if (n === 'leftLowerLeg') return about(0.6, 0, 0.8, 40 + 30 * Math.sin(f / 9));
        if (n === 'leftUpperArm')
          return about(Math.sin(f / 3) / Math.SQRT2, Math.cos(f / 3) / Math.SQRT2, Math.SQRT1_2, 40);
        return null;
      },
    });
    const at = (name: string): number => skeleton.names.indexOf(name);
    const knee = readJointMotion(clip, at('leftLowerLeg'))!;
    expect(knee.hinge).toBeGreaterThan(0.999);
    expect((knee.range * 180) / Math.PI).toBeCloseTo(60, 0);
    expect(Math.abs(0.6 * knee.axis[0] + 0.8 * knee.axis[2])).toBeCloseTo(1, 3);
    expect(readJointMotion(clip, at('leftUpperArm'))!.hinge).toBeLessThan(0.7);
    expect(readJointMotion(clip, at('rightLowerLeg'))).toBeNull();
  });
});
