import { describe, expect, it } from 'vitest';
import { CONTACT_DEFAULTS, detectContacts } from '../../src/contact/detect.ts';
import { RigproofError } from '../../src/errors.ts';
import type { ContactInterval } from '../../src/skeleton/contact-interval.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { type Feet, mapPoints, noisy, path, standing, WALK, walk, walkTruth } from '../support/foot-paths.ts';

/**
 * s. The test paths start from rest and come to rest: the speed of a swing phase of 0.7 s passes the threshold of 16 % of
 * its peak 36 ms before it is zero. Real feet are faster when they touch down: see the force plates.
 */
const EDGE_TOLERANCE = 0.06;
const SCALE = 0.9; // m, leg length

function spans(contacts: readonly ContactInterval[]): [number, number][] {
  return contacts.map(({ start, end }) => [start, end]);
}

function expectSpans(
  contacts: readonly ContactInterval[],
  truth: readonly [number, number][],
  tolerance: number,
): void {
  const text = `got ${JSON.stringify(spans(contacts))}, expected ${JSON.stringify(truth)}`;
  expect(contacts.length, text).toBe(truth.length);
  truth.forEach(([start, end], i) => {
    expect(Math.abs(contacts[i]!.start - start), text).toBeLessThan(tolerance);
    expect(Math.abs(contacts[i]!.end - end), text).toBeLessThan(tolerance);
  });
}

function expectWalk(feet: Feet, tolerance = EDGE_TOLERANCE, scale: number | undefined = SCALE): void {
  const found = detectContacts({ ...feet, ...(scale !== undefined && { scale }) });
  for (const side of SIDES) {
    const truth = walkTruth(side);
    // Contacts at the ends of the clip that are shorter than the tolerance may or may not be seen.
    expectSpans(found[side].heel, truth.heel, tolerance);
    expectSpans(found[side].ball, truth.ball, tolerance);
    expectSpans(
      found[side].foot,
      truth.ball.map(([start, end]) => [start === 0 ? 0 : start - WALK.flat, end]),
      tolerance,
    );
  }
}

/** Whether any of the contacts overlaps the span by more than 50 ms. */
function touches(contacts: readonly ContactInterval[], from: number, to: number): boolean {
  return contacts.some(({ start, end }) => Math.min(end, to) - Math.max(start, from) > 0.05);
}

describe('detectContacts', () => {
  it.each([30, 60, 120, 240])('finds heel and ball of a walk at %i frames a second', (fps) => {
    expectWalk(walk(fps));
  });

  it('finds a heel that comes to rest in two steps at the first', () => {
    const plain = walk(120);
    const truth = walkTruth('left').heel;
    // It stands still for 25 ms, slips on by 15 mm in 25 ms, and creeps for 0.2 s more.
    const slip = (t: number): number => {
      if (t < 0.025) return -0.025;
      if (t < 0.05) return -0.025 + 0.6 * (t - 0.025);
      return -0.01 * Math.exp((0.05 - t) / 0.08);
    };
    const heel = plain.left.heel.slice();
    for (const [start, end] of truth)
      for (let f = Math.ceil(start * 120); f <= end * 120; f++)
        if (start > 0) heel[f * 3 + 2]! += slip(f / 120 - start);
    const found = detectContacts({ ...plain, left: { ...plain.left, heel }, scale: SCALE });
    for (const [start] of truth.filter(([from]) => from > 0)) {
      const nearest = Math.min(...found.left.heel.map((contact) => Math.abs(contact.start - start)));
      expect(nearest, JSON.stringify(spans(found.left.heel))).toBeLessThan(EDGE_TOLERANCE);
    }
  });

  it('does not take a heel that is up over its resting ball for one that rests, however low and still', () => {
    // Feet of 0.1 m from heel to ball: at 10.3 degrees the heel is 17.8 mm up, less than heights differ by on a floor.
    const raise = [
      { start: 1, end: 1.2, to: [0.1, 0.0178, 0] as const },
      { start: 2.5, end: 2.7, to: [0.1, 0, 0] as const },
    ];
    const foot = (x: number, moves: Parameters<typeof path>[3]) => ({
      heel: path(120, 4, [x, 0, 0], moves),
      ball: path(120, 4, [x, 0, 0.1], []),
    });
    const found = detectContacts({
      left: foot(
        0.1,
        raise.map((move) => ({ ...move, to: [...move.to] })),
      ),
      right: foot(-0.1, []),
      fps: 120,
      scale: SCALE,
    });
    expect(touches(found.left.heel, 1.3, 2.4)).toBe(false);
    expect(touches(found.left.ball, 1.3, 2.4)).toBe(true);
    expect(touches(found.left.heel, 0, 0.9)).toBe(true);
    expect(touches(found.left.heel, 2.8, 4)).toBe(true);
  });

  it.each([0.2, 20])('finds the same contacts on a figure %f m tall, without being told', (height) => {
    const plain = walk(60);
    const sized = mapPoints(plain, (v) => (v * height) / 1.7);
    const scale = (SCALE * height) / 1.7;
    const one = detectContacts({ ...plain, scale: SCALE });
    const other = detectContacts({ ...sized, scale });
    for (const side of SIDES) expectSpans(other[side].foot, spans(one[side].foot), 1e-6);
    expectWalk(sized, EDGE_TOLERANCE, undefined);
  });

  it.each([0.001, 0.003])('finds a walk through white noise of %f m', (sigma) => {
    for (const fps of [60, 120, 240]) expectWalk(noisy(walk(fps), sigma), EDGE_TOLERANCE);
  });

  it('finds a walk up and down a slope of 10 degrees, and says so', () => {
    for (const slope of [Math.tan(Math.PI / 18), -Math.tan(Math.PI / 18)]) {
      const feet = walk(60, { slope });
      expectWalk(feet);
      const { floor } = detectContacts({ ...feet, scale: SCALE }).ground;
      expect(floor.kind).toBe('sloped');
      expect(Math.abs(floor.slopeZ - slope)).toBeLessThan(0.02);
      expect(Math.abs(floor.slopeX)).toBeLessThan(0.02);
    }
  });

  it('reads no slope across a straight walk out of feet that are measured unlike', () => {
    // The right foot 18 mm higher than the left, 0.2 m aside: 5 degrees.
    const feet = walk(60, { slope: Math.tan(Math.PI / 18) });
    const uneven = {
      ...feet,
      right: { heel: feet.right.heel.map(raised), ball: feet.right.ball.map(raised) },
    };
    const { floor } = detectContacts({ ...uneven, scale: SCALE }).ground;
    expect(floor.kind).toBe('sloped');
    expect(Math.abs(floor.slopeX)).toBeLessThan(0.02);

    function raised(value: number, i: number): number {
      return i % 3 === 1 ? value + 0.018 : value;
    }
  });

  it('finds each tread of stairs up and down', () => {
    for (const rise of [0.17, -0.17]) expectWalk(walk(60, { rise }));
  });

  it('finds the stances on a block that is walked over, and on stairs with a landing', () => {
    expectWalk(walk(60, { tread: (n) => (n >= 4 && n < 8 ? 0.25 : 0) }));
    expectWalk(walk(60, { tread: (n) => 0.17 * (Math.max(0, Math.min(n - 2, 3)) + Math.max(0, n - 7)) }));
  });

  it('keeps a stance that slips while it bears the body', () => {
    // The left foot slides 25 cm in 0.6 s, at 0.65 m/s at most, while the right one kicks through the air.
    const slip = (z: number) => path(60, 3, [0.1, 0, z], [{ start: 1.2, end: 1.8, to: [0.1, 0, z + 0.25] }]);
    const kick = (z: number) =>
      path(
        60,
        3,
        [-0.1, 0, z],
        [
          { start: 1, end: 1.5, to: [-0.1, 0.7, z + 0.9] },
          { start: 1.5, end: 2, to: [-0.1, 0, z] },
        ],
      );
    const feet = {
      fps: 60,
      left: { heel: slip(0), ball: slip(0.18) },
      right: { heel: kick(0), ball: kick(0.18) },
      scale: SCALE,
    };
    const found = detectContacts(feet);
    expectSpans(found.left.foot, [[0, 3]], 1e-9);
    expect(touches(found.right.foot, 1.1, 1.9)).toBe(false);
  });

  it('finds nothing for a foot that is held up the whole clip while the other one hops', () => {
    const hop = (z: number) =>
      path(
        60,
        4,
        [0.1, 0, z],
        [0, 1, 2, 3].map((i) => ({
          start: 0.5 + 0.9 * i,
          end: 0.8 + 0.9 * i,
          to: [0.1, 0, z + 0.3 * (i + 1)] as const,
          lift: 0.12,
        })),
      );
    const held = (z: number) => path(60, 4, [-0.1, 0.3, z], []);
    const found = detectContacts({
      fps: 60,
      left: { heel: hop(0), ball: hop(0.18) },
      right: { heel: held(0), ball: held(0.18) },
      scale: SCALE,
    });
    expect(found.left.foot).toHaveLength(5);
    expect(found.right.foot).toEqual([]);
  });

  it('finds nothing for the feet of a handstand, though one is still while the other moves', () => {
    const up = (x: number, moves: readonly (readonly [number, number])[], z: number) =>
      path(
        60,
        6,
        [x, 0, z],
        [
          { start: 1, end: 1.6, to: [x, 1.7, z] },
          ...moves.map(([start, ahead]) => ({ start, end: start + 0.4, to: [x, 1.7, z + ahead] as const })),
          { start: 4.5, end: 5.1, to: [x, 0, z] },
        ],
      );
    const foot = (x: number, moves: readonly (readonly [number, number])[]) => ({
      heel: up(x, moves, 0),
      ball: up(x, moves, 0.18),
    });
    const found = detectContacts({
      fps: 60,
      left: foot(0.1, []),
      right: foot(-0.1, [
        [2, 0.6],
        [2.5, -0.6],
        [3, 0.6],
        [3.5, 0],
      ]),
      scale: SCALE,
    });
    for (const side of SIDES) expect(touches(found[side].foot, 1.5, 4.6), side).toBe(false);
  });

  it('ends the contact of a heel that rises slowly and stays up, while the ball stands on', () => {
    const rising = {
      heel: path(60, 4, [0.1, 0, 0], [{ start: 1, end: 1.5, to: [0.1, 0.035, 0.01] }]),
      ball: path(60, 4, [0.1, 0, 0.18], []),
    };
    const lifted = (z: number) =>
      path(
        60,
        4,
        [-0.1, 0, z],
        [
          { start: 1, end: 1.4, to: [-0.1, 0.3, z] },
          { start: 3, end: 3.4, to: [-0.1, 0, z] },
        ],
      );
    const found = detectContacts({
      fps: 60,
      left: rising,
      right: { heel: lifted(0), ball: lifted(0.18) },
      scale: SCALE,
    });
    expectSpans(found.left.ball, [[0, 4]], 1e-9);
    expect(found.left.heel).toHaveLength(1);
    expect(found.left.heel[0]!.end).toBeLessThan(1.5);
  });

  it('takes the treadmill for the ground, given or found', () => {
    const speed = WALK.stride / WALK.cycle;
    const feet = walk(60);
    const belt = mapPoints(feet, (v, f, k) => (k === 2 ? v - (speed * f) / 60 : v));
    expectWalk(belt);
    const found = detectContacts({ ...belt, scale: SCALE });
    expect(found.ground.velocitySource).toBe('estimated');
    expect(Math.abs(found.ground.velocity[2] + speed)).toBeLessThan(0.01 * speed);
    const given = detectContacts({ ...belt, scale: SCALE, groundVelocity: [0, 0, -speed] });
    for (const side of SIDES) expectSpans(given[side].heel, walkTruth(side).heel, EDGE_TOLERANCE);
  });

  it('does not take a glide for a treadmill', () => {
    // Both feet glide at 2 m/s all the time, the body with them.
    const feet = { fps: 60, left: standing(60, 3, 0.1), right: standing(60, 3, -0.1) };
    const glide = mapPoints(feet, (v, f, k) => (k === 2 ? v + (2 * f) / 60 : v));
    const found = detectContacts({ ...glide, scale: SCALE });
    expect(found.ground.velocitySource).toBe('still');
    for (const side of SIDES) expect(found[side].foot).toEqual([]);
  });

  it('finds one contact the whole clip for one who stands and shifts weight', () => {
    const duration = 4;
    const shift = (x: number) => ({
      heel: path(60, duration, [x, 0, 0], [{ start: 1, end: 1.2, to: [x + 0.006, 0.004, 0.004] }]),
      ball: path(60, duration, [x, 0, 0.18], [{ start: 1, end: 1.15, to: [x - 0.008, 0.003, 0.18] }]),
    });
    const found = detectContacts({ ...noisy({ fps: 60, left: shift(0.1), right: shift(-0.1) }, 0.0005), scale: SCALE });
    for (const side of SIDES)
      for (const point of ['heel', 'ball', 'foot'] as const) {
        expectSpans(found[side][point], [[0, duration]], 1e-9);
      }
  });

  it('finds no contact in the air of a jump', () => {
    // Crouch is not seen by the feet: they leave at 1 s, and are down again at 1.6 s.
    const fps = 120;
    const fly = (t: number) => (t > 1 && t < 1.6 ? 0.5 * 9.81 * (t - 1) * (1.6 - t) : 0);
    const feet = mapPoints({ fps, left: standing(fps, 3, 0.1), right: standing(fps, 3, -0.1) }, (v, f, k) =>
      k === 1 ? v + fly(f / fps) : v,
    );
    const found = detectContacts({ ...feet, scale: SCALE });
    for (const side of SIDES)
      expectSpans(
        found[side].foot,
        [
          [0, 1],
          [1.6, 3],
        ],
        0.02,
      );
  });

  it('finds the short stances of a run and nothing in its flight phases', () => {
    // Forefoot running: ball stances of 0.2 s every 0.7 s, the other foot half a cycle later, 0.15 s of flight between.
    const [fps, cycle, stance, stride] = [60, 0.7, 0.2, 2.4];
    const foot = (x: number, phase: number) => {
      const point = (ahead: number, lift: number, early: number) => {
        const moves = [];
        for (let i = -1; i < 6; i++) {
          const start = (i + phase) * cycle + stance - early;
          moves.push({
            start,
            end: (i + 1 + phase) * cycle + early,
            to: [x, early, (i + 2) * stride + ahead] as const,
            lift,
          });
        }
        return path(fps, 3.4, [x, early, ahead], moves);
      };
      return { heel: point(0, 0.5, 0.05), ball: point(0.18, 0.3, 0) };
    };
    const found = detectContacts({ fps, left: foot(0.1, 0), right: foot(-0.1, 0.5), scale: SCALE });
    for (const [side, phase] of [
      ['left', 0],
      ['right', 0.5],
    ] as const) {
      const { ball } = found[side];
      expect(ball).toHaveLength(5);
      for (const { start, end } of ball) {
        const cycleTime = ((((start + end) / 2 / cycle - phase) % 1) + 1) % 1;
        if (start === 0 || end > 3.39) continue;
        expect(Math.abs(cycleTime * cycle - stance / 2)).toBeLessThan(0.02);
        expect(end - start).toBeGreaterThan(stance - 0.02);
        expect(end - start).toBeLessThan(stance + 0.1);
      }
    }
  });

  it('keeps a foot in the air free while it is held still', () => {
    // A kick held at 0.8 m, then a foot that hovers at 0.12 m.
    const duration = 5;
    const kick = (z: number) =>
      path(
        60,
        duration,
        [-0.1, 0, z],
        [
          { start: 1, end: 1.4, to: [-0.1, 0.8, z + 0.6] },
          { start: 2.2, end: 2.6, to: [-0.1, 0, z] },
          { start: 3, end: 3.3, to: [-0.1, 0.12, z] },
          { start: 4.2, end: 4.5, to: [-0.1, 0, z] },
        ],
      );
    const found = detectContacts({
      fps: 60,
      left: standing(60, duration, 0.1),
      right: { heel: kick(0), ball: kick(0.18) },
      scale: SCALE,
    });
    expectSpans(found.left.foot, [[0, duration]], 1e-9);
    expect(touches(found.right.foot, 1.3, 2.3), JSON.stringify(found.right)).toBe(false);
    expect(touches(found.right.foot, 3.2, 4.3), JSON.stringify(found.right)).toBe(false);
    expectSpans(
      found.right.foot,
      [
        [0, 1],
        [2.6, 3],
        [4.5, 5],
      ],
      0.15,
    );
  });

  it('finds no contact for feet that hang from a high seat', () => {
    const duration = 5;
    const hang = (x: number, z: number) =>
      path(
        60,
        duration,
        [x, 0, z],
        [
          { start: 1.5, end: 2, to: [x, 0.2, z + 0.3] },
          { start: 4, end: 4.4, to: [x, 0, z] },
        ],
      );
    const foot = (x: number) => ({ heel: hang(x, 0), ball: hang(x, 0.18) });
    const found = detectContacts({ fps: 60, left: foot(0.1), right: foot(-0.1), scale: SCALE });
    for (const side of SIDES) expect(touches(found[side].foot, 1.9, 4.1), side).toBe(false);
    for (const side of SIDES) expect(found[side].foot).toHaveLength(2);
  });

  it('finds the ball alone in a turn on the ball', () => {
    const fps = 60;
    const duration = 4;
    const heel = path(fps, duration, [0.1, 0, 0], []);
    // From 1 s to 3 s the heel is 6 cm up and turns once about the ball.
    for (let f = 0; f < heel.length / 3; f++) {
      const t = Math.min(1, Math.max(0, (f / fps - 1) / 2));
      const angle = 2 * Math.PI * (t - Math.sin(2 * Math.PI * t) / (2 * Math.PI));
      heel[f * 3] = 0.1 - 0.18 * Math.sin(angle);
      heel[f * 3 + 1] = 0.06 * Math.sin(Math.PI * t) ** 0.5;
      heel[f * 3 + 2] = 0.18 - 0.18 * Math.cos(angle);
    }
    const ball = path(fps, duration, [0.1, 0, 0.18], []);
    const lifted = path(
      fps,
      duration,
      [-0.1, 0, 0],
      [
        { start: 1, end: 1.4, to: [-0.1, 0.3, 0] },
        { start: 2.7, end: 3.1, to: [-0.1, 0, 0] },
      ],
    );
    const found = detectContacts({
      fps,
      left: { heel, ball },
      right: { heel: lifted, ball: lifted.map((v, i) => (i % 3 === 2 ? v + 0.18 : v)) },
      scale: SCALE,
    });
    expectSpans(found.left.ball, [[0, duration]], 1e-9);
    expect(touches(found.left.heel, 1.2, 2.8)).toBe(false);
    expect(touches(found.right.foot, 1.3, 2.8)).toBe(false);
  });

  it('does not plant a foot that slides along the floor', () => {
    const slide = (z: number) => path(60, 4, [-0.1, 0, z], [{ start: 1, end: 2.5, to: [-0.1, 0, z + 0.9] }]);
    const found = detectContacts({
      fps: 60,
      left: standing(60, 4, 0.1),
      right: { heel: slide(0), ball: slide(0.18) },
      scale: SCALE,
    });
    expect(touches(found.right.foot, 1.4, 2.1)).toBe(false);
    expect(found.right.foot).toHaveLength(2);
  });

  it('takes a slow shuffle apart step by step', () => {
    // Feet slide 25 cm in 0.8 s, hardly lifted: peak 0.6 m/s.
    const shuffle = (x: number, phase: number, ahead: number) => {
      const moves = [];
      for (let i = 0; i < 4; i++) {
        const start = 0.5 + 2 * i + phase;
        moves.push({ start, end: start + 0.8, to: [x, 0, 0.25 * (i + 1) + ahead] as const, lift: 0.015 });
      }
      return path(60, 9, [x, 0, ahead], moves);
    };
    const foot = (x: number, phase: number) => ({ heel: shuffle(x, phase, 0), ball: shuffle(x, phase, 0.18) });
    const found = detectContacts({ fps: 60, left: foot(0.1, 0), right: foot(-0.1, 1), scale: SCALE });
    for (const side of SIDES) {
      expect(found[side].foot).toHaveLength(5);
      // The peak of each slide is free.
      for (let i = 0; i < 4; i++) {
        const middle = 0.9 + 2 * i + (side === 'left' ? 0 : 1);
        expect(touches(found[side].foot, middle - 0.2, middle + 0.2)).toBe(false);
      }
    }
  });

  it('finds the heels of one who lies on the back, not the toes in the air', () => {
    const lying = (x: number) => ({ heel: path(60, 3, [x, 0.02, 0], []), ball: path(60, 3, [x, 0.2, 0.02], []) });
    const found = detectContacts({ fps: 60, left: lying(0.1), right: lying(-0.1), scale: SCALE });
    for (const side of SIDES) {
      expectSpans(found[side].heel, [[0, 3]], 1e-9);
      expect(found[side].ball).toEqual([]);
    }
  });

  it('finds the toes of one who crawls, never the heels above them', () => {
    const crawl = (x: number, phase: number, y: number) => {
      const moves = [];
      for (let i = 0; i < 3; i++) {
        const start = 0.4 + 1.2 * i + phase;
        moves.push({ start, end: start + 0.5, to: [x, y, 0.4 * (i + 1)] as const, lift: 0.03 });
      }
      return path(60, 5, [x, y, 0], moves);
    };
    const foot = (x: number, phase: number) => ({ heel: crawl(x, phase, 0.17), ball: crawl(x, phase, 0.01) });
    const found = detectContacts({ fps: 60, left: foot(0.1, 0), right: foot(-0.1, 0.6), scale: SCALE });
    for (const side of SIDES) {
      expect(found[side].heel).toEqual([]);
      expect(found[side].ball).toHaveLength(4);
    }
  });

  it('is not led astray by a one-frame spike or by gaps', () => {
    const plain = walk(120);
    const spiked = mapPoints(plain, (v, f, k) => (f === 270 && k === 0 ? v + 0.5 : v));
    expectWalk(spiked);
    const gappy = mapPoints(plain, (v, f) => (f >= 100 && f < 106 ? Number.NaN : v));
    expectWalk(gappy);
  });

  it('answers for a clip of one frame and of two', () => {
    for (const duration of [0, 1 / 60]) {
      const found = detectContacts({ fps: 60, left: standing(60, duration, 0.1), right: standing(60, duration, -0.1) });
      expectSpans(found.left.foot, [[0, duration]], 1e-9);
    }
  });

  it('leaves its input as it was', () => {
    const feet = noisy(walk(60), 0.002);
    feet.left.heel[30] = Number.NaN;
    const before = [feet.left.heel.slice(), feet.left.ball.slice(), feet.right.heel.slice(), feet.right.ball.slice()];
    detectContacts(feet);
    expect([feet.left.heel, feet.left.ball, feet.right.heel, feet.right.ball]).toEqual(before);
  });

  it('obeys its options', () => {
    const feet = walk(60);
    const strict = detectContacts({ ...feet, scale: SCALE }, { stanceMin: 1 });
    expect(strict.left.heel.filter(({ start, end }) => start > 0 && end < feet.duration)).toEqual([]);
    expect(CONTACT_DEFAULTS.stanceMin).toBeLessThan(WALK.heelOff);
  });

  it('says what is wrong with its input', () => {
    const feet = walk(60);
    const code = (change: Partial<Feet>) => {
      try {
        detectContacts({ ...feet, ...change });
      } catch (error) {
        return error instanceof RigproofError ? error.code : error;
      }
      return null;
    };
    expect(code({ fps: 0 })).toBe('CONTACT_FRAME_RATE');
    expect(code({ left: { heel: new Float64Array(4), ball: new Float64Array(4) } })).toBe('CONTACT_POINT_SIZE');
    expect(code({ right: { ...feet.right, ball: feet.right.ball.slice(3) } })).toBe('CONTACT_POINT_SIZE');
    expect(code({ right: { ...feet.right, ball: feet.right.ball.map(() => Number.NaN) } })).toBe('CONTACT_POINT_EMPTY');
  });
});
