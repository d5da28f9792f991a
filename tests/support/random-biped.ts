import type { Skeleton } from '../../src/skeleton/skeleton.ts';
import { type BipedOptions, bipedRows, type Row, skeletonFrom, tipsOf } from './biped.ts';
import { bendSkeleton, seededRandom, shuffleJoints, turnSkeleton } from './skeleton-variants.ts';

/**
 * A rig as chance would build it: proportions within a factor of three, any number of spine joints, with or without neck,
 * collar bones, toes, fingers, twist joints, detached feet, hair or a tail; slightly bent, joints in any order, turned and
 * scaled anyhow. Joints are named for the roles that they have to get.
 */
export function randomBiped(seed: number): Skeleton {
  const random = seededRandom(seed * 7919);
  const pick = <T>(list: readonly T[]): T => list[Math.floor(random() * list.length)]!;
  const between = (low: number, high: number): number => low * (high / low) ** random();
  const thigh = between(0.2, 0.6);
  const upperArm = between(0.18, 0.4);
  const options: BipedOptions = {
    thigh,
    shin: thigh * between(0.75, 1.3),
    upperArm,
    lowerArm: upperArm * between(0.7, 1.2),
    spineJoints: pick([1, 2, 3, 4, 5]),
    neck: random() < 0.8,
    shoulders: random() < 0.75,
    toes: random() < 0.7,
    fingers: pick([0, 0, 2, 5, 5]),
    armsDown: between(1, 85),
    detachedFeet: random() < 0.15,
    twists: pick([0, 0, 0, 1, 2]),
  };
  const rows = bipedRows(options);
  const hasTips = random() < 0.6;
  const place = (name: string): Row[2] => rows.find(([n]) => n === name)![2];
  const grow = (name: string, parent: string, count: number, at: (i: number) => Row[2]): void => {
    for (let i = 0; i < count; i++) rows.push([`${name}${i}`, i === 0 ? parent : `${name}${i - 1}`, at(i)]);
  };
  const extra = pick(['none', 'none', 'hair', 'tail']);
  const head = place('head')[1];
  for (let k = 0; k < 6 && extra === 'hair'; k++) {
    grow(`hair${k}x`, 'head', 4, (i) => [0.1 * Math.cos(k), head + 0.1 - 0.06 * i, 0.1 * Math.sin(k)]);
  }
  const hips = place('hips')[1];
  if (extra === 'tail') grow('tail', 'hips', 5, (i) => [0, hips - 0.03 * i, -0.1 - 0.1 * i]);
  const plain = skeletonFrom(rows, hasTips ? tipsOf(rows) : {});
  const { skeleton } = shuffleJoints(bendSkeleton(plain, pick([0, 3, 6]), seed), seed);
  const axis = [random() - 0.5, random() - 0.5, random() - 0.5] as const;
  return turnSkeleton(skeleton, axis, 360 * random(), between(0.01, 100));
}
