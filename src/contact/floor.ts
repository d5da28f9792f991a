/**
 * A stretch of time in which one point keeps still, as a candidate for a contact. Frames, both ends included.
 */
export interface StillRun {
  /** Index of the point: left heel, left ball, right heel, right ball. */
  point: number;
  first: number;
  last: number;
  /** Mean position, metres. */
  x: number;
  y: number;
  z: number;
}

/** The ground as the clip shows it. */
export interface Floor {
  kind: 'level' | 'sloped';
  /** Metres up a metre along x and along z; both 0 on a level floor. */
  slopeX: number;
  slopeZ: number;
  /**
   * How high each point is when it rests on the ground, less the slope: left heel, left ball, right heel, right ball.
   * It is the height of the ground itself (at x = z = 0) only for a point that lies on the sole; a marker or a joint
   * sits above it.
   */
  rests: [number, number, number, number];
  /** Heights that differ by less are the same, metres: a share of the leg length or the noise, whichever is more. */
  tolerance: number;
}

/** Steeper than this is taken for steps, which have level treads: 0.35 is 19 degrees, steeper than streets and ramps. */
const SLOPE_MAX = 0.35;
/** A slope has to explain so much more of the standing time than a level floor does. */
const SLOPE_GAIN = 0.15;
/** Candidates for a slope are laid through the longest runs, at most this many. */
const CANDIDATES_MAX = 10;
/** A point rests lower than so much of its still time; what is lower counts as an error, what is higher as lifted. */
const LOW_SHARE = 0.25;
/** On one foot, heel and ball rest at heights that differ by no more than this share of the leg length. */
const PITCH_MAX = 0.1;
/** Left and right rest at heights that differ by no more than this share of the leg length. */
const SIDE_MAX = 0.04;

/**
 * Finds the floor from the stretches in which points keep still: a plane, level unless a slope explains clearly more
 * of the standing time, and for each point the height at which it rests. A few stretches in the air, on a step or from
 * a capture fault do not move it. Steps are left to the judgement of each contact.
 */
export function estimateFloor(runs: readonly StillRun[], tolerance: number, legLength: number): Floor {
  const balls = runs.filter((run) => run.point === 1 || run.point === 3);
  const { slopeX, slopeZ } = estimateSlope(balls, tolerance, legLength);
  const rests: (number | null)[] = [0, 1, 2, 3].map((point) => {
    const own = runs.filter((run) => run.point === point);
    return own.length > 0 ? lowLevel(own, slopeX, slopeZ) : null;
  });
  return {
    kind: slopeX === 0 && slopeZ === 0 ? 'level' : 'sloped',
    slopeX,
    slopeZ,
    rests: plausibleRests(rests, legLength),
    tolerance,
  };
}

function weightOf(run: StillRun): number {
  return run.last - run.first + 1;
}

function lowLevel(runs: readonly StillRun[], slopeX: number, slopeZ: number): number {
  const heights = runs
    .map((run) => ({ height: run.y - slopeX * run.x - slopeZ * run.z, weight: weightOf(run) }))
    .sort((a, b) => a.height - b.height);
  const total = heights.reduce((sum, h) => sum + h.weight, 0);
  let below = 0;
  for (const { height, weight } of heights) {
    below += weight;
    if (below >= LOW_SHARE * total) return height;
  }
  return heights[heights.length - 1]!.height;
}

/**
 * A point that never touches the ground (the heel of one on tiptoe, the toes of one lying on the back, a foot held up)
 * has a lowest still level all the same. It is known by its partner on the same foot and by its twin on the other side.
 */
function plausibleRests(rests: (number | null)[], legLength: number): Floor['rests'] {
  const [leftHeel, leftBall, rightHeel, rightBall] = rests;
  const heels = lowerTwin(leftHeel ?? null, rightHeel ?? null, legLength);
  const balls = lowerTwin(leftBall ?? null, rightBall ?? null, legLength);
  const out: Floor['rests'] = [0, 0, 0, 0];
  for (const side of [0, 1] as const) {
    let heel = heels[side] ?? balls[side];
    let ball = balls[side] ?? heels[side];
    if (heel === null || ball === null || heel === undefined || ball === undefined) {
      heel = Number.NEGATIVE_INFINITY;
      ball = Number.NEGATIVE_INFINITY;
    }
    if (heel > ball + PITCH_MAX * legLength) heel = ball;
    else if (ball > heel + PITCH_MAX * legLength) ball = heel;
    out[side * 2] = heel;
    out[side * 2 + 1] = ball;
  }
  return out;
}

function lowerTwin(left: number | null, right: number | null, legLength: number): [number | null, number | null] {
  if (left === null || right === null) return [left ?? right, right ?? left];
  if (left > right + SIDE_MAX * legLength) return [right, right];
  if (right > left + SIDE_MAX * legLength) return [left, left];
  return [left, right];
}

/** The slope that the most standing time agrees on, refined by least squares over what agrees; zero where it gains little. */
function estimateSlope(
  balls: readonly StillRun[],
  tolerance: number,
  legLength: number,
): { slopeX: number; slopeZ: number } {
  const level = { slopeX: 0, slopeZ: 0 };
  if (balls.length < 4) return level;
  const total = balls.reduce((sum, run) => sum + weightOf(run), 0);
  const longest = [...balls].sort((a, b) => weightOf(b) - weightOf(a)).slice(0, CANDIDATES_MAX);
  let flatScore = 0;
  for (const a of longest) flatScore = Math.max(flatScore, agreement(balls, a, 0, 0, tolerance));
  if (flatScore > (1 - SLOPE_GAIN) * total) return level;
  let best = { score: 0, slopeX: 0, slopeZ: 0, through: longest[0]! };
  const consider = (through: StillRun, slopeX: number, slopeZ: number) => {
    if (!(Math.hypot(slopeX, slopeZ) <= SLOPE_MAX)) return;
    const score = agreement(balls, through, slopeX, slopeZ, tolerance);
    if (score > best.score) best = { score, slopeX, slopeZ, through };
  };
  for (let i = 0; i < longest.length; i++) {
    for (let j = i + 1; j < longest.length; j++) {
      const a = longest[i]!;
      const b = longest[j]!;
      const [bx, by, bz] = [b.x - a.x, b.y - a.y, b.z - a.z];
      const square = bx * bx + bz * bz;
      // A slope along the line from a to b, level across it: all that a straight walk can tell.
      if (square > 0) consider(a, (by * bx) / square, (by * bz) / square);
      for (let k = j + 1; k < longest.length; k++) {
        const c = longest[k]!;
        const [cx, cy, cz] = [c.x - a.x, c.y - a.y, c.z - a.z];
        const area = bx * cz - bz * cx;
        if (area * area < 0.01 * square * (cx * cx + cz * cz)) continue;
        consider(a, (by * cz - bz * cy) / area, (bx * cy - by * cx) / area);
      }
    }
  }
  if (best.score < flatScore + SLOPE_GAIN * total) return level;
  const { slopeX, slopeZ, through } = best;
  const agreeing = balls.filter((run) => misfit(run, through, slopeX, slopeZ) <= tolerance);
  if (agreeing.length < 4) return level;
  const refined = refineSlope(agreeing, legLength);
  // What rises by less than the tolerance from one end of the way to the other is level; and the width of a stance, in
  // which left and right may be measured unlike, is no way.
  const rises = agreeing.map((run) => refined.slopeX * run.x + refined.slopeZ * run.z);
  const rise = Math.max(...rises) - Math.min(...rises);
  const way = rise / Math.hypot(refined.slopeX, refined.slopeZ);
  return rise > 2 * tolerance && way > legLength ? refined : level;
}

function misfit(run: StillRun, through: StillRun, slopeX: number, slopeZ: number): number {
  return Math.abs(run.y - through.y - slopeX * (run.x - through.x) - slopeZ * (run.z - through.z));
}

/** Standing time, in frames, within the tolerance of a plane. */
function agreement(
  runs: readonly StillRun[],
  through: StillRun,
  slopeX: number,
  slopeZ: number,
  tolerance: number,
): number {
  let score = 0;
  for (const run of runs) if (misfit(run, through, slopeX, slopeZ) <= tolerance) score += weightOf(run);
  return score;
}

/**
 * Weighted least squares. A walk that stays on one line tells the slope along it; across it there is the width of a stance
 * alone, in which left and right may be measured unlike (11 degrees were read out of one), and the floor is taken for level.
 */
function refineSlope(runs: readonly StillRun[], legLength: number): { slopeX: number; slopeZ: number } {
  const total = runs.reduce((sum, run) => sum + weightOf(run), 0);
  const mean = (k: 'x' | 'y' | 'z') => runs.reduce((sum, run) => sum + weightOf(run) * run[k], 0) / total;
  const [mx, my, mz] = [mean('x'), mean('y'), mean('z')];
  let [xx, xz, zz, xy, zy] = [0, 0, 0, 0, 0];
  for (const run of runs) {
    const w = weightOf(run) / total;
    const [x, y, z] = [run.x - mx, run.y - my, run.z - mz];
    xx += w * x * x;
    xz += w * x * z;
    zz += w * z * z;
    xy += w * x * y;
    zy += w * z * y;
  }
  // The direction in which the walk is longest, and how wide it is across it.
  const heading = 0.5 * Math.atan2(2 * xz, xx - zz);
  const [c, s] = [Math.cos(heading), Math.sin(heading)];
  const across = runs.map((run) => c * run.z - s * run.x);
  if (Math.max(...across) - Math.min(...across) < legLength) {
    const along = c * c * xx + 2 * c * s * xz + s * s * zz;
    const slope = along > 0 ? (c * xy + s * zy) / along : 0;
    return { slopeX: slope * c, slopeZ: slope * s };
  }
  const determinant = xx * zz - xz * xz;
  if (!(determinant > 0)) return { slopeX: 0, slopeZ: 0 };
  return { slopeX: (xy * zz - zy * xz) / determinant, slopeZ: (zy * xx - xy * xz) / determinant };
}
