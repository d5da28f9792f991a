import { AnimationMixer, type Bone, Vector3 } from 'three';
import { BVHLoader } from 'three/examples/jsm/loaders/BVHLoader.js';
import { describe, expect, it } from 'vitest';
import { CLIPS } from '../../samples/clips.ts';
import { HEEL, toBvh } from '../../samples/performer.ts';

const PLANT_DRIFT_MAX = 0.1; // cm: what the samples promise. The angles in the file are rounded to 0.0001°.
const SINK_MAX = 0.2; // cm under the floor, at the end of the toes as they roll off
const KNEE_SPEED_MAX = 1100; // °/s; landing from the hop bends the knee fastest. Common practice, no source

/** World positions by three's loader, an implementation that shares nothing with the samples. */
function play(name: string) {
  const clip = CLIPS[name]!();
  const { skeleton, clip: animation } = new BVHLoader().parse(toBvh(clip.frames, clip.fps));
  const root = skeleton.bones[0]!;
  const mixer = new AnimationMixer(root);
  mixer.clipAction(animation).play();
  const bone = (joint: string): Bone => skeleton.bones.find((candidate) => candidate.name === joint)!;
  const frames = clip.frames.map((_, f) => {
    mixer.setTime(Math.min(f / clip.fps, animation.duration - 1e-6));
    root.updateMatrixWorld(true);
    const at = (joint: string, offset: readonly number[] = [0, 0, 0]): Vector3 =>
      bone(joint).localToWorld(new Vector3(offset[0], offset[1], offset[2]));
    const side = (s: 'l' | 'r') => ({
      hip: at(`femur_${s}`),
      knee: at(`tibia_${s}`),
      ankle: at(`ankle_${s}`),
      heel: at(`ankle_${s}`, HEEL),
      ball: at(`ball_${s}`),
      toe: bone(`ball_${s}`).children[0]!.getWorldPosition(new Vector3()),
      shoulder: at(`humerus_${s}`),
      elbow: at(`radius_${s}`),
      wrist: at(`wrist_${s}`),
      hingeY: at(`humerus_${s}`, [0, 1, 0]).sub(at(`humerus_${s}`)),
      hingeX: at(`femur_${s}`, [1, 0, 0]).sub(at(`femur_${s}`)),
    });
    return { pelvis: at('pelvis_c'), left: side('l'), right: side('r') };
  });
  return { clip, frames };
}

const bend = (a: Vector3, b: Vector3, c: Vector3): number =>
  (b.clone().sub(a).angleTo(c.clone().sub(b)) * 180) / Math.PI;

describe.each(Object.keys(CLIPS))('%s', (name) => {
  const { clip, frames } = play(name);

  it('lasts between 6 and 10 seconds and moves', () => {
    const duration = (frames.length - 1) / clip.fps;
    expect(duration).toBeGreaterThan(6);
    expect(duration).toBeLessThan(10);
    const travel = frames[0]!.pelvis.distanceTo(frames.at(-1)!.pelvis);
    expect(travel).toBeGreaterThan(40);
  });

  it.each(['left', 'right'] as const)('keeps what stands on the floor still, %s foot', (side) => {
    for (const point of ['heel', 'ball'] as const) {
      const intervals = clip.contacts[side][point];
      expect(intervals.length).toBeGreaterThan(1);
      for (const { start, end } of intervals) {
        const first = Math.ceil(start * clip.fps - 1e-6);
        const last = Math.min(frames.length - 1, Math.floor(end * clip.fps + 1e-6));
        expect(last).toBeGreaterThan(first);
        const anchor = frames[first]![side][point];
        for (let f = first; f <= last; f++) {
          expect(frames[f]![side][point].distanceTo(anchor), `${point} at frame ${f}`).toBeLessThan(PLANT_DRIFT_MAX);
        }
        expect(anchor.y).toBeCloseTo(point === 'heel' ? 0 : 2, 2);
      }
    }
  });

  it('lets no foot sink into the floor', () => {
    for (const frame of frames) {
      for (const { heel, toe } of [frame.left, frame.right]) {
        expect(heel.y).toBeGreaterThan(-SINK_MAX);
        // The end of the toes stands 1.4 cm over the floor when flat.
        expect(toe.y).toBeGreaterThan(1.4 - SINK_MAX);
      }
    }
  });

  it('bends knees backwards-down and elbows forwards only, and smoothly', () => {
    const before = { left: 0, right: 0 };
    frames.forEach((frame, f) => {
      for (const side of ['left', 'right'] as const) {
        const { hip, knee, ankle, hingeX } = frame[side];
        const angle = bend(hip, knee, ankle);
        // Flexion turns the shin about the performer's left-pointing axis, positive.
        const sense = knee.clone().sub(hip).cross(ankle.clone().sub(knee)).dot(hingeX);
        expect(sense).toBeGreaterThan(0);
        const { shoulder, elbow, wrist, hingeY } = frame[side];
        // In the T-pose the forearm bends forwards, about the vertical: negative on the left, positive on the right.
        const turn = elbow.clone().sub(shoulder).cross(wrist.clone().sub(elbow)).dot(hingeY);
        expect(side === 'left' ? -turn : turn).toBeGreaterThan(0);
        expect(angle).toBeGreaterThan(2);
        expect(angle).toBeLessThan(140);
        if (f > 0) expect(Math.abs(angle - before[side]) * clip.fps).toBeLessThan(KNEE_SPEED_MAX);
        before[side] = angle;
      }
    });
  });

  it('keeps the feet apart', () => {
    for (const { left, right } of frames) expect(left.ankle.distanceTo(right.ankle)).toBeGreaterThan(9);
  });
});

it('lists no contact while both feet are in the air', () => {
  const { clip, frames } = play('puddle-hop');
  const airborne = frames.findIndex(({ left, right }) => Math.min(left.toe.y, right.toe.y) > 8) / clip.fps;
  expect(airborne).toBeGreaterThan(4);
  for (const side of ['left', 'right'] as const) {
    for (const { start, end } of [...clip.contacts[side].heel, ...clip.contacts[side].ball]) {
      expect(airborne < start || airborne > end).toBe(true);
    }
  }
});

it('turns left by 110 degrees during the round', () => {
  const { frames } = play('night-round');
  const heading = ({ left, right }: (typeof frames)[number]): number => {
    const across = left.hip.clone().sub(right.hip);
    return Math.atan2(-across.z, across.x);
  };
  const turned = ((heading(frames.at(-1)!) - heading(frames[0]!)) * 180) / Math.PI;
  expect(turned).toBeCloseTo(110, 0);
});
