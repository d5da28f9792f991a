import { InterpolateLinear, QuaternionKeyframeTrack } from 'three';
import { describe, expect, it } from 'vitest';
import { alignFigure } from '../../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../../src/alignment/soles.ts';
import { lowPass } from '../../../src/convert/filter/butterworth.ts';
import { closeLoop } from '../../../src/convert/filter/loop.ts';
import { lowPassClip } from '../../../src/convert/filter/low-pass.ts';
import { mirrorClip, mirrorJoints } from '../../../src/convert/filter/mirror.ts';
import { findGaps, repairClip } from '../../../src/convert/filter/repair.ts';
import { trimClip } from '../../../src/convert/filter/trim.ts';
import { resampleClip } from '../../../src/convert/resample-clip.ts';
import { angleBetweenQuats } from '../../../src/math/quat.ts';
import type { Actor } from '../../../src/retarget/actor.ts';
import { type Clip, createClip } from '../../../src/skeleton/clip.ts';
import { chain } from '../../support/biped.ts';
import { bodyOf, figure, rolePositions, wander } from '../../support/figure.ts';
import { axisAngle } from '../../support/quat.ts';
import { buildWalker } from '../../support/walker.ts';

/** rad. Float32 keys. */
const SAME_ROTATION = 2e-6;
/** m. Float32 keys a few metres from the origin. */
const SAME_PLACE = 5e-6;

/** One joint that turns about an axis by the angle (rad) of each frame, and goes along x by it (m). */
function spinning(frameCount: number, fps: number, angle: (t: number) => number): Clip {
  const clip = createClip('spin', frameCount, 1 / fps, 1, [0]);
  for (let f = 0; f < frameCount; f++) {
    clip.rotations.set(axisAngle(0.6, 0, 0.8, angle(f / fps)), f * 4);
    clip.translations[f * 3] = angle(f / fps);
  }
  return clip;
}

/** Turn about the axis of `spinning`, radians. */
const angleAt = (clip: Clip, f: number): number => {
  const [x, , z, w] = [...clip.rotations.subarray(f * 4, f * 4 + 4)] as [number, number, number, number];
  return 2 * Math.atan2(0.6 * x + 0.8 * z, w);
};

describe('the Butterworth filter', () => {
  // Response of two passes of the bilinear second-order design: gain = 1 / (1 + (tan(πf/fs) / ωc)⁴), ωc = tan(πfc/fs) / C.
  // Winter, Biomechanics and Motor Control of Human Movement: C = (2^(1/passes) − 1)^¼ = 0.802 for two passes.
  const [fps, cutoff] = [120, 6];
  const gainAt = (f: number): number => {
    const values = Float64Array.from({ length: 1200 }, (_, i) => Math.cos((2 * Math.PI * f * i) / fps));
    const before = values.slice();
    lowPass(values, cutoff, fps);
    // Projection onto the input over whole periods in the middle: gain, and no share of the quadrature.
    let [inPhase, quadrature, power] = [0, 0, 0];
    for (let i = 300; i < 900; i++) {
      inPhase += values[i]! * before[i]!;
      quadrature += values[i]! * Math.sin((2 * Math.PI * f * i) / fps);
      power += before[i]! ** 2;
    }
    expect(Math.abs(quadrature / power)).toBeLessThan(1e-3);
    return inPhase / power;
  };

  it('leaves 1/√2 of the amplitude at the cut-off, and shifts no phase', () => {
    expect(gainAt(cutoff)).toBeCloseTo(Math.SQRT1_2, 3);
  });

  it.each([1, 2, 3, 8, 12, 20])('has the response of its design at %s Hz', (f) => {
    const c = 0.802;
    const ratio = (Math.tan((Math.PI * f) / fps) / Math.tan((Math.PI * cutoff) / fps)) * c;
    expect(gainAt(f)).toBeCloseTo(1 / (1 + ratio ** 4), 3);
  });

  it('keeps constants and straight lines, ends and all', () => {
    const values = Float64Array.from({ length: 50 }, (_, i) => 3 + 0.2 * i);
    lowPass(values, cutoff, fps);
    values.forEach((value, i) => {
      expect(value).toBeCloseTo(3 + 0.2 * i, 3);
    });
  });
});

describe('low-pass of a clip', () => {
  it('takes the same share off rotations as off translations, about any axis', () => {
    const clip = spinning(600, 100, (t) => 0.3 * Math.sin(2 * Math.PI * 6 * t));
    const out = lowPassClip(clip, { cutoff: 6 });
    let [turned, moved] = [0, 0];
    for (let f = 200; f < 400; f++) {
      turned = Math.max(turned, Math.abs(angleAt(out, f)));
      moved = Math.max(moved, Math.abs(out.translations[f * 3]!));
    }
    expect(turned).toBeCloseTo(0.3 * Math.SQRT1_2, 2);
    expect(moved).toBeCloseTo(0.3 * Math.SQRT1_2, 2);
  });

  it('leaves full turns alone, whatever the signs of the quaternions', () => {
    const clip = spinning(240, 60, (t) => 2 * Math.PI * t);
    for (let f = 0; f < 240; f += 3) for (let k = 0; k < 4; k++) clip.rotations[f * 4 + k]! *= -1;
    const out = lowPassClip(clip, { cutoff: 8 });
    for (let f = 30; f < 210; f++) {
      // A degree and a half of the 6 it turns in a frame: the mean lags nowhere.
      expect(angleBetweenQuats(out.rotations, f * 4, clip.rotations, f * 4)).toBeLessThan(0.002);
    }
  });

  it('does nothing from half the frame rate on', () => {
    const clip = spinning(30, 30, Math.sin);
    expect(lowPassClip(clip, { cutoff: 15 })).toBe(clip);
  });
});

describe('repair', () => {
  const smooth = (t: number): number => 0.8 * Math.sin(2 * t);
  it('puts back what a spike destroyed', () => {
    const clean = spinning(120, 60, smooth);
    const broken = { ...clean, rotations: clean.rotations.slice(), translations: clean.translations.slice() };
    for (const f of [60, 61]) {
      broken.rotations.set(axisAngle(0, 1, 0, 2), f * 4);
      broken.translations[f * 3]! += 0.5;
    }
    const { clip, repaired, left } = repairClip(broken, [{ first: 60, last: 61 }]);
    expect(left).toEqual([]);
    expect(repaired).toEqual([{ first: 58, last: 63 }]);
    for (let f = 0; f < 120; f++) {
      // 0.3 s of a 0.8 rad swing by a cubic: a tenth of a degree.
      expect(Math.abs(angleAt(clip, f) - angleAt(clean, f))).toBeLessThan(0.002);
      expect(Math.abs(clip.translations[f * 3]! - clean.translations[f * 3]!)).toBeLessThan(0.002);
    }
    expect(broken.rotations.subarray(240, 244)).not.toEqual(clip.rotations.subarray(240, 244));
  });

  it('tells what is too long, or at an end, and leaves it', () => {
    const clip = spinning(120, 60, smooth);
    const faults = [
      { first: 0, last: 1 },
      { first: 40, last: 90 },
    ];
    const result = repairClip(clip, faults);
    expect(result.left).toEqual(faults);
    expect(result.clip).toBe(clip);
  });

  it('finds frames without numbers and frames that stand still in a motion', () => {
    const clip = spinning(60, 60, smooth);
    clip.rotations[20 * 4 + 1] = Number.NaN;
    for (let f = 30; f < 36; f++) {
      clip.rotations.copyWithin(f * 4, 29 * 4, 30 * 4);
      clip.translations.copyWithin(f * 3, 29 * 3, 30 * 3);
    }
    expect(findGaps(clip)).toEqual([
      { first: 20, last: 20 },
      { first: 30, last: 35 },
    ]);
    const { clip: whole } = repairClip(clip, findGaps(clip));
    for (let f = 0; f < 60; f++) expect(Math.abs(angleAt(whole, f) - smooth(f / 60))).toBeLessThan(0.01);
  });
});

describe('trim', () => {
  it('keeps the frames of the span, both ends included', () => {
    const clip = spinning(91, 30, Math.sin);
    const out = trimClip(clip, { from: 1, to: 2 });
    expect(out.frameCount).toBe(31);
    expect(out.rotations.subarray(0, 4)).toEqual(clip.rotations.subarray(120, 124));
    expect(() => trimClip(clip, { from: 5 })).toThrowError(expect.objectContaining({ code: 'FILTER_TRIM' }));
  });
});

describe('resampling', () => {
  it.each([24, 60, 100])('to %s frames a second interpolates as the keyframe track of three does', (fps) => {
    // The reference: QuaternionKeyframeTrack of three, linear interpolation, which is slerp.
    const clip = spinning(40, 30, (t) => 3 * Math.sin(4 * t));
    const times = Array.from({ length: 40 }, (_, f) => f / 30);
    const track = new QuaternionKeyframeTrack('.quaternion', times, [...clip.rotations], InterpolateLinear);
    const interpolant = track.InterpolantFactoryMethodLinear(new Float32Array(4));
    const out = resampleClip(clip, fps);
    expect(out.frameCount).toBe(Math.floor((39 / 30) * fps + 1e-6) + 1);
    for (let f = 0; f < out.frameCount; f++) {
      const expected = interpolant.evaluate(f / fps) as Float32Array;
      expect(angleBetweenQuats(out.rotations, f * 4, expected, 0)).toBeLessThan(1e-5);
    }
  });
});

describe('loop closing', () => {
  it('makes end and start one pose and one speed, and keeps the walk going', () => {
    const { skeleton, clip, roles } = buildWalker({ cycles: 1 });
    const cut = trimClip(clip, { to: 1.1 });
    const closed = closeLoop(cut, skeleton);
    const last = cut.frameCount - 1;
    const size = cut.jointCount * 4;
    for (let j = 0; j < cut.jointCount; j++) {
      expect(closed.rotations.subarray(last * size + j * 4, last * size + j * 4 + 4)).toEqual(
        closed.rotations.subarray(j * 4, j * 4 + 4),
      );
      const step = (c: Clip, f: number) =>
        angleBetweenQuats(c.rotations, f * size + j * 4, c.rotations, (f + 1) * size + j * 4);
      // Over the seam the speed changes no more than it does from frame to frame within the walk.
      let usual = 0;
      for (let f = 0; f + 2 <= last; f++) usual = Math.max(usual, Math.abs(step(cut, f + 1) - step(cut, f)));
      expect(Math.abs(step(closed, 0) - step(closed, last - 1))).toBeLessThan(1.2 * usual + SAME_ROTATION);
    }
    expect(roles.hips).toBe(0);
    // The way ahead is kept, the height is closed.
    expect(closed.translations[last * 3 + 2]! - closed.translations[2]!).toBeCloseTo(
      cut.translations[last * 3 + 2]! - cut.translations[2]!,
      2,
    );
    expect(closed.translations[last * 3 + 1]).toBe(closed.translations[1]);
  });

  it('leaves a cycle that closes already as it is', () => {
    const clip = spinning(61, 60, (t) => 0.4 * Math.cos(2 * Math.PI * t));
    const out = closeLoop(clip, chain(1));
    // Speeds from three frames of a sine at 60 a second are off by (2π/60)² / 3 of themselves.
    for (let f = 0; f < 61; f++)
      expect(angleBetweenQuats(out.rotations, f * 4, clip.rotations, f * 4)).toBeLessThan(5e-4);
  });
});

describe('mirroring', () => {
  const actors: [string, Actor, Clip][] = [];
  const plain = figure({ fingers: true, splitLimbs: true });
  actors.push(['a plain figure', plain, wander(plain, 12)]);
  const rolled = figure({ fingers: true, rollSeed: 8, detachedFeet: true });
  actors.push(['rolled axes and detached feet', rolled, wander(rolled, 12)]);

  it.each(actors)('puts each joint where its partner is in the mirror: %s', (_, actor, clip) => {
    const out = mirrorClip(actor, clip);
    for (let f = 0; f < clip.frameCount; f++) {
      const before = rolePositions(actor, clip, f);
      for (const [role, [x, y, z]] of rolePositions(actor, out, f)) {
        if (actor.skeleton.names.includes('root') && /Foot|Toes/.test(role)) continue;
        const other = role.startsWith('left') ? role.replace('left', 'right') : role.replace('right', 'left');
        const p = before.get(other as typeof role)!;
        expect(Math.hypot(-p[0] - x, p[1] - y, p[2] - z)).toBeLessThan(SAME_PLACE);
      }
    }
  });

  it.each(actors)('mirrored twice is as it was: %s', (_, actor, clip) => {
    const back = mirrorClip(actor, mirrorClip(actor, clip));
    expect([...back.translationJoints]).toEqual([...clip.translationJoints]);
    for (let i = 0; i < clip.rotations.length; i += 4) {
      expect(angleBetweenQuats(back.rotations, i, clip.rotations, i)).toBeLessThan(SAME_ROTATION);
    }
    back.translations.forEach((value, i) => {
      expect(Math.abs(value - clip.translations[i]!)).toBeLessThan(SAME_PLACE);
    });
  });

  it('pairs joints without a role by where they hang', () => {
    const partner = mirrorJoints(plain);
    const of = (name: string) => plain.skeleton.names[partner[plain.skeleton.names.indexOf(name)]!];
    expect(of('leftThighMiddle')).toBe('rightThighMiddle');
    expect(of('rightArmMiddle')).toBe('leftArmMiddle');
    expect(of('head')).toBe('head');
  });

  it('exchanges the steps of a walk', () => {
    const { skeleton, clip, roles, contacts } = buildWalker();
    const body = bodyOf(skeleton, roles, 1.5);
    const actor = { skeleton, body, alignment: alignFigure(skeleton, body, restAnkleHeights(skeleton, roles, [])) };
    const out = mirrorClip(actor, clip);
    const f = Math.round(((contacts.left.ball[0]!.start + contacts.left.ball[0]!.end) / 2) * 60);
    const place = (c: Clip, role: 'leftToes' | 'rightToes', g: number) => rolePositions(actor, c, g).get(role)![2];
    expect(place(clip, 'leftToes', f)).toBeCloseTo(place(clip, 'leftToes', f + 1), 5);
    expect(place(out, 'rightToes', f)).toBeCloseTo(place(out, 'rightToes', f + 1), 5);
    expect(Math.abs(place(out, 'leftToes', f) - place(out, 'leftToes', f + 1))).toBeGreaterThan(1e-3);
  });
});
