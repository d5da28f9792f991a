/**
 * AssemblyScript, compiled to WebAssembly by `npm run build:kernels`: the frame loop of `src/retarget/retargeter.ts`, for
 * reasons and units see there. The same arithmetic in the same order: `tests/retarget/frame-kernel.test.ts` holds both to
 * the same bits.
 *
 * It owns no memory: `src/retarget/frame-kernel.ts` lays out what stands behind the addresses below, under the names that
 * plan, work lists and targets have there. Lists of joints are Int32 here, and a list of joints has its length beside it.
 */
import { atan2, cos, exp, sin } from './host-math.ts';
import {
  copyQuat,
  copyVec,
  mulInverseQuat,
  mulQuat,
  rotateAddVec,
  rotateVec,
  rotateVecInverse,
  setQuat,
  setVec,
  slerpQuat,
  subVec,
} from './quat.ts';
import { solveTwoBone } from './two-bone.ts';

/** First byte that is free for who starts the kernel. */
export const heapStart: usize = __heap_base;

// Frames of the source, Float32, and its joints.
export let srcRows: usize = 0;
export let srcCount: i32 = 0;
export let srcMoves: usize = 0;
export let srcMoving: usize = 0;
export let srcMovingCount: i32 = 0;
export let srcParents: usize = 0;
export let srcTurned: usize = 0;
export let srcTurnedCount: i32 = 0;
export let srcPlaced: usize = 0;
export let srcPlacedCount: i32 = 0;
export let srcTranslations: usize = 0;
export let srcRotations: usize = 0;
export let srcPositions: usize = 0;
export let srcLimbEnds: usize = 0;

// The target's joints.
export let dstCount: i32 = 0;
export let dstParents: usize = 0;
export let dstHips: i32 = 0;
export let worldRotations: usize = 0;
export let worldPositions: usize = 0;
export let driven: usize = 0;
export let drivenCount: i32 = 0;
export let blended: usize = 0;
export let blendedCount: i32 = 0;
export let isNewBlend: usize = 0;
export let driverStarts: usize = 0;
export let driverJoints: usize = 0;
export let driverWeights: usize = 0;
export let offsets: usize = 0;
export let srcUndo: usize = 0;
export let srcPelvis: usize = 0;
export let srcPelvisCount: i32 = 0;
export let scale: f64 = 0;
export let srcGround: f64 = 0;
export let dstGround: f64 = 0;
export let pelvisOffset: usize = 0;
export let solveParents: usize = 0;
export let kinds: usize = 0;
export let restRotations: usize = 0;
export let restOffsets: usize = 0;
export let before: usize = 0;
export let beforeCount: i32 = 0;

// Twists: which of them a joint is, and one entry each.
export let twistOf: usize = 0;
export let twistInner: usize = 0;
export let twistOuter: usize = 0;
export let twistCarrier: usize = 0;
export let twistUndo: usize = 0;
export let twistAxis: usize = 0;
export let twistShare: usize = 0;

// Limbs that are led, one entry each; hinges and ends are those of all four.
export let limbs: usize = 0;
export let limbsCount: i32 = 0;
export let srcUpper: usize = 0;
export let srcLower: usize = 0;
export let srcEnd: usize = 0;
export let dstUpper: usize = 0;
export let dstLower: usize = 0;
export let dstEnd: usize = 0;
export let dstToes: usize = 0;
export let turnsEnd: usize = 0;
export let reach: usize = 0;
export let ratio: usize = 0;
export let limbLength: usize = 0;
export let folded: usize = 0;
export let shortest: usize = 0;
/** Those of limb i from `belowStarts[i]` to before `belowStarts[i + 1]`. */
export let below: usize = 0;
export let belowStarts: usize = 0;
export let belowToes: usize = 0;
export let belowToesStarts: usize = 0;
export let limbEnds: usize = 0;
export let hinges: usize = 0;

// Targets of the limbs, frame-major; `positions` is 0 where there are none.
export let positions: usize = 0;
export let positionWeights: usize = 0;
export let reaches: usize = 0;
export let middles: usize = 0;
export let middleWeights: usize = 0;
export let rotations: usize = 0;
export let rotationWeights: usize = 0;
export let toeRotations: usize = 0;
export let toeWeights: usize = 0;
export let rootShifts: usize = 0;

// What comes out: local rotations and translations, Float32, frame-major; and world places and turns of some joints.
export let dstRows: usize = 0;
export let written: usize = 0;
export let writtenCount: i32 = 0;
export let dstMoves: usize = 0;
export let dstMovingCount: i32 = 0;
/** Which of the moving joints are written, and what joints these are. */
export let moved: usize = 0;
export let movedCount: i32 = 0;
export let movedJoints: usize = 0;
export let places: usize = 0;
export let placesOf: usize = 0;
export let placesOfCount: i32 = 0;
export let turns: usize = 0;
export let turnsOf: usize = 0;
export let turnsOfCount: i32 = 0;

const REST: i32 = 0;
const TWISTED: i32 = 3;
const SOFT_REACH: f64 = 0.98;
const MET: f64 = 1e-5;

const QUAT_A: usize = memory.data(32, 16);
const QUAT_B: usize = memory.data(32, 16);
const VEC: usize = memory.data(24, 16);
const GOAL: usize = memory.data(24, 16);
const HINGE: usize = memory.data(24, 16);
/** Two quaternions: what the upper and the lower bone of a limb turn by. */
const BEND: usize = memory.data(64, 16);

/** Entry `i` of a list of Int32. */
function entry(list: usize, i: i32): i32 {
  return load<i32>(list + ((<usize>i) << 2));
}

/** Entry `i` of a list of Float64. */
function number(list: usize, i: i32): f64 {
  return load<f64>(list + ((<usize>i) << 3));
}

/** Address of vector `i` of a list. */
function vec(list: usize, i: i32): usize {
  return list + <usize>i * 24;
}

/** Address of quaternion `i` of a list. */
function quat(list: usize, i: i32): usize {
  return list + ((<usize>i) << 5);
}

/** Retargets the frames that are laid out, the first of them frame 0 of all that is frame-major. */
export function run(frameCount: i32): void {
  for (let f = 0; f < frameCount; f++) {
    readSource(f);
    transferRotations();
    placeHips(f);
    settle(before, beforeCount);
    for (let i = 0; i < limbsCount; i++) solveLimb(i, f);
    if (dstRows !== 0) writeLocals(f);
    for (let i = 0; i < placesOfCount; i++) {
      copyVec(vec(places, i * frameCount + f), vec(worldPositions, entry(placesOf, i)));
    }
    for (let i = 0; i < turnsOfCount; i++) {
      copyQuat(quat(turns, i * frameCount + f), quat(worldRotations, entry(turnsOf, i)));
    }
  }
}

function readSource(f: i32): void {
  let from = srcMoves + <usize>(f * srcMovingCount) * 12;
  for (let m = 0; m < srcMovingCount; m++) {
    const to = vec(srcTranslations, entry(srcMoving, m));
    setVec(to, <f64>load<f32>(from), <f64>load<f32>(from, 4), <f64>load<f32>(from, 8));
    from += 12;
  }
  const row = srcRows + ((<usize>(f * srcCount)) << 4);
  for (let i = 0; i < srcTurnedCount; i++) {
    const j = entry(srcTurned, i);
    readRotation(quat(srcRotations, j), entry(srcParents, j), row + ((<usize>j) << 4));
  }
  for (let i = 0; i < srcPlacedCount; i++) {
    const j = entry(srcPlaced, i);
    const p = entry(srcParents, j);
    if (p < 0) copyVec(vec(srcPositions, j), vec(srcTranslations, j));
    else rotateAddVec(vec(srcPositions, j), quat(srcRotations, p), vec(srcTranslations, j), vec(srcPositions, p));
  }
}

/** World rotation of a joint from that of its parent (negative for a root) and from its local one, Float32. */
function readRotation(world: usize, p: i32, local: usize): void {
  const bx = <f64>load<f32>(local);
  const by = <f64>load<f32>(local, 4);
  const bz = <f64>load<f32>(local, 8);
  const bw = <f64>load<f32>(local, 12);
  if (p < 0) {
    setQuat(world, bx, by, bz, bw);
    return;
  }
  const parent = quat(srcRotations, p);
  const ax = load<f64>(parent);
  const ay = load<f64>(parent, 8);
  const az = load<f64>(parent, 16);
  const aw = load<f64>(parent, 24);
  store<f64>(world, aw * bx + ax * bw + ay * bz - az * by);
  store<f64>(world, aw * by - ax * bz + ay * bw + az * bx, 8);
  store<f64>(world, aw * bz + ax * by - ay * bx + az * bw, 16);
  store<f64>(world, aw * bw - ax * bx - ay * by - az * bz, 24);
}

function transferRotations(): void {
  for (let i = 0; i < drivenCount; i++) {
    const j = entry(driven, i);
    const driver = entry(driverJoints, entry(driverStarts, j));
    mulQuat(quat(worldRotations, j), quat(srcRotations, driver), quat(offsets, j));
  }
  for (let i = 0; i < blendedCount; i++) {
    const j = entry(blended, i);
    if (entry(isNewBlend, i)) blend(entry(driverStarts, j), entry(driverStarts, j + 1));
    mulQuat(quat(worldRotations, j), QUAT_A, quat(offsets, j));
  }
}

function blend(first: i32, end: i32): void {
  let x: f64 = 0;
  let y: f64 = 0;
  let z: f64 = 0;
  let w: f64 = 0;
  for (let d = first; d < end; d++) {
    const s = entry(driverJoints, d);
    mulQuat(QUAT_B, quat(srcRotations, s), quat(srcUndo, s));
    const bx = load<f64>(QUAT_B);
    const by = load<f64>(QUAT_B, 8);
    const bz = load<f64>(QUAT_B, 16);
    const bw = load<f64>(QUAT_B, 24);
    const isOpposite = x * bx + y * by + z * bz + w * bw < 0;
    const weight = isOpposite ? -number(driverWeights, d) : number(driverWeights, d);
    x += weight * bx;
    y += weight * by;
    z += weight * bz;
    w += weight * bw;
  }
  const k = 1 / sqrt(x * x + y * y + z * z + w * w);
  setQuat(QUAT_A, k * x, k * y, k * z, k * w);
}

function placeHips(f: i32): void {
  let x: f64 = 0;
  let y: f64 = 0;
  let z: f64 = 0;
  for (let i = 0; i < srcPelvisCount; i++) {
    const p = vec(srcPositions, entry(srcPelvis, i));
    x += load<f64>(p);
    y += load<f64>(p, 8);
    z += load<f64>(p, 16);
  }
  const k = scale / <f64>srcPelvisCount;
  rotateVec(VEC, quat(worldRotations, dstHips), pelvisOffset);
  const hips = vec(worldPositions, dstHips);
  store<f64>(hips, x * k - load<f64>(VEC));
  store<f64>(hips, dstGround + y * k - scale * srcGround - load<f64>(VEC, 8), 8);
  store<f64>(hips, z * k - load<f64>(VEC, 16), 16);
  if (positions === 0) return;
  const shift = vec(rootShifts, f);
  store<f64>(hips, load<f64>(hips) + load<f64>(shift));
  store<f64>(hips, load<f64>(hips, 8) + load<f64>(shift, 8), 8);
  store<f64>(hips, load<f64>(hips, 16) + load<f64>(shift, 16), 16);
}

function settle(list: usize, count: i32): void {
  for (let i = 0; i < count; i++) {
    const j = entry(list, i);
    const p = entry(solveParents, j);
    const kind = entry(kinds, j);
    if (p >= 0) {
      if (kind === REST) mulQuat(quat(worldRotations, j), quat(worldRotations, p), quat(restRotations, j));
      else if (kind === TWISTED) twist(j);
      rotateAddVec(vec(worldPositions, j), quat(worldRotations, p), vec(restOffsets, j), vec(worldPositions, p));
    } else if (j !== dstHips) {
      if (kind === REST) copyQuat(quat(worldRotations, j), quat(restRotations, j));
      copyVec(vec(worldPositions, j), vec(restOffsets, j));
    }
  }
}

function twist(j: i32): void {
  const t = entry(twistOf, j);
  const outer = entry(twistOuter, t);
  const carrier = entry(twistCarrier, t);
  const undo = quat(twistUndo, t);
  const axis = vec(twistAxis, t);
  mulInverseQuat(QUAT_A, quat(worldRotations, entry(twistInner, t)), quat(worldRotations, outer));
  if (outer === carrier) mulQuat(QUAT_A, undo, QUAT_A);
  else mulQuat(QUAT_A, QUAT_A, undo);
  const ax = load<f64>(axis);
  const ay = load<f64>(axis, 8);
  const az = load<f64>(axis, 16);
  const along = load<f64>(QUAT_A) * ax + load<f64>(QUAT_A, 8) * ay + load<f64>(QUAT_A, 16) * az;
  const w = load<f64>(QUAT_A, 24);
  const isTwisted = along * along + w * w >= 1e-18;
  const angle: f64 = isTwisted ? number(twistShare, t) * atan2(w < 0 ? -along : along, abs(w)) : 0;
  const s = sin(angle);
  setQuat(QUAT_B, ax * s, ay * s, az * s, cos(angle));
  mulQuat(QUAT_B, quat(worldRotations, carrier), QUAT_B);
  mulQuat(quat(worldRotations, j), QUAT_B, quat(restRotations, j));
}

/** Where the performer's limb ends, to VEC. */
function sourceEnd(i: i32): void {
  const end = entry(srcEnd, i);
  if (end >= 0) {
    copyVec(VEC, vec(srcPositions, end));
  } else {
    const lower = entry(srcLower, i);
    rotateAddVec(VEC, quat(srcRotations, lower), vec(srcLimbEnds, entry(limbs, i)), vec(srcPositions, lower));
  }
}

function solveLimb(i: i32, f: i32): void {
  const limb = entry(limbs, i);
  const lower = entry(dstLower, i);
  const foot = entry(dstEnd, i);
  const toes = entry(dstToes, i);
  const end = vec(worldPositions, foot >= 0 ? foot : dstCount + limb);
  const hasTargets = positions !== 0;
  if (foot < 0) {
    rotateAddVec(end, quat(worldRotations, lower), vec(limbEnds, limb), vec(worldPositions, lower));
  }
  const at = f * 4 + limb;
  if (number(reach, i) > 0 || (hasTargets && number(positionWeights, at) > 0)) lead(i, limb, end, at);
  if (hasTargets && foot >= 0 && entry(turnsEnd, i) === 1 && number(rotationWeights, at) > 0) turnEnd(foot, toes, at);
  const start = entry(belowStarts, i);
  settle(below + ((<usize>start) << 2), entry(belowStarts, i + 1) - start);
  if (foot < 0) {
    rotateAddVec(end, quat(worldRotations, lower), vec(limbEnds, limb), vec(worldPositions, lower));
  }
  if (hasTargets && toes >= 0) turnToes(i, limb, toes, f);
}

function lead(i: i32, limb: i32, end: usize, at: i32): void {
  const upper = entry(dstUpper, i);
  const lower = entry(dstLower, i);
  const root = vec(worldPositions, upper);
  const middle = vec(worldPositions, lower);
  const length = number(limbLength, i);
  const share = number(reach, i);
  const rx = load<f64>(root);
  const ry = load<f64>(root, 8);
  const rz = load<f64>(root, 16);
  const ex = load<f64>(end);
  const ey = load<f64>(end, 8);
  const ez = load<f64>(end, 16);
  const natural = sqrt((ex - rx) * (ex - rx) + (ey - ry) * (ey - ry) + (ez - rz) * (ez - rz));
  let x = ex;
  let y = ey;
  let z = ez;
  if (share > 0) {
    sourceEnd(i);
    const own = number(ratio, i);
    const source = vec(srcPositions, entry(srcUpper, i));
    x += share * (rx + own * (load<f64>(VEC) - load<f64>(source)) - x);
    y += share * (ry + own * (load<f64>(VEC, 8) - load<f64>(source, 8)) - y);
    z += share * (rz + own * (load<f64>(VEC, 16) - load<f64>(source, 16)) - z);
    const least = min<f64>(natural, number(folded, i));
    const short = sqrt((x - rx) * (x - rx) + (y - ry) * (y - ry) + (z - rz) * (z - rz));
    if (short < least && short > 0) {
      const left = (least - number(shortest, i)) / 2;
      const k = (left > 1e-9 ? least - left * (1 - exp((short - least) / left)) : least) / short;
      x = rx + k * (x - rx);
      y = ry + k * (y - ry);
      z = rz + k * (z - rz);
    }
  }
  const held: f64 = positions !== 0 ? number(positionWeights, at) : 0;
  if (held > 0) {
    const wanted = vec(positions, at);
    x += held * (load<f64>(wanted) - x);
    y += held * (load<f64>(wanted, 8) - y);
    z += held * (load<f64>(wanted, 16) - z);
  }
  const asked: f64 = held > 0 ? number(reaches, at) : 0;
  const free = max<f64>(natural, (asked < 1 ? max<f64>(SOFT_REACH, asked) : 1) * length);
  const distance = sqrt((x - rx) * (x - rx) + (y - ry) * (y - ry) + (z - rz) * (z - rz));
  if (distance > free) {
    const left = length - free;
    const k = (left > 1e-9 ? free + left * (1 - exp((free - distance) / left)) : free) / distance;
    x = rx + k * (x - rx);
    y = ry + k * (y - ry);
    z = rz + k * (z - rz);
  }
  const missed = (x - ex) * (x - ex) + (y - ey) * (y - ey) + (z - ez) * (z - ez);
  if (held === 0 && missed <= MET * length * (MET * length)) return;
  setVec(GOAL, x, y, z);
  rotateVec(HINGE, quat(worldRotations, upper), vec(hinges, limb));
  solveTwoBone(root, middle, end, GOAL, HINGE, BEND);
  mulQuat(quat(worldRotations, upper), BEND, quat(worldRotations, upper));
  mulQuat(quat(worldRotations, lower), BEND + 32, quat(worldRotations, lower));
  if (held > 0 && number(middleWeights, at) > 0) turnMiddle(upper, lower, root, middle, at);
}

function turnMiddle(upper: i32, lower: i32, root: usize, middle: usize, at: i32): void {
  subVec(VEC, middle, root);
  rotateVec(VEC, BEND, VEC);
  subVec(GOAL, GOAL, root);
  const gx = load<f64>(GOAL);
  const gy = load<f64>(GOAL, 8);
  const gz = load<f64>(GOAL, 16);
  const size = sqrt(gx * gx + gy * gy + gz * gz);
  if (size < 1e-9) return;
  const x = gx / size;
  const y = gy / size;
  const z = gz / size;
  subVec(HINGE, vec(middles, at), root);
  const vx = load<f64>(VEC);
  const vy = load<f64>(VEC, 8);
  const vz = load<f64>(VEC, 16);
  const hx = load<f64>(HINGE);
  const hy = load<f64>(HINGE, 8);
  const hz = load<f64>(HINGE, 16);
  const along = (vx * x + vy * y + vz * z) * (hx * x + hy * y + hz * z);
  const cosine = vx * hx + vy * hy + vz * hz - along;
  const sine = x * (vy * hz - vz * hy) + y * (vz * hx - vx * hz) + z * (vx * hy - vy * hx);
  const half = 0.5 * number(middleWeights, at) * atan2(sine, cosine);
  const s = sin(half);
  setQuat(QUAT_A, x * s, y * s, z * s, cos(half));
  mulQuat(quat(worldRotations, upper), QUAT_A, quat(worldRotations, upper));
  mulQuat(quat(worldRotations, lower), QUAT_A, quat(worldRotations, lower));
}

function turnEnd(foot: i32, toes: i32, at: i32): void {
  const turn = quat(worldRotations, foot);
  copyQuat(QUAT_A, turn);
  slerpQuat(turn, turn, quat(rotations, at), number(rotationWeights, at));
  if (toes < 0 || entry(kinds, toes) === REST) return;
  mulInverseQuat(QUAT_A, QUAT_A, quat(worldRotations, toes));
  mulQuat(quat(worldRotations, toes), turn, QUAT_A);
}

function turnToes(i: i32, limb: i32, toes: i32, f: i32): void {
  const at = f * 2 + limb;
  const weight = number(toeWeights, at);
  if (weight === 0) return;
  slerpQuat(quat(worldRotations, toes), quat(worldRotations, toes), quat(toeRotations, at), weight);
  const start = entry(belowToesStarts, i);
  settle(belowToes + ((<usize>start) << 2), entry(belowToesStarts, i + 1) - start);
}

function writeLocals(f: i32): void {
  const row = dstRows + ((<usize>(f * dstCount)) << 4);
  for (let i = 0; i < writtenCount; i++) {
    const j = entry(written, i);
    writeRotation(row + ((<usize>j) << 4), entry(dstParents, j), quat(worldRotations, j));
  }
  const moves = dstMoves + <usize>(f * dstMovingCount) * 12;
  for (let i = 0; i < movedCount; i++) {
    const j = entry(movedJoints, i);
    const p = entry(dstParents, j);
    copyVec(VEC, vec(worldPositions, j));
    if (p >= 0) {
      subVec(VEC, VEC, vec(worldPositions, p));
      rotateVecInverse(VEC, quat(worldRotations, p), VEC);
    }
    const to = moves + <usize>entry(moved, i) * 12;
    store<f32>(to, <f32>load<f64>(VEC));
    store<f32>(to, <f32>load<f64>(VEC, 8), 4);
    store<f32>(to, <f32>load<f64>(VEC, 16), 8);
  }
}

/** local = parent⁻¹ · world, to Float32; `p` is negative for a root. */
function writeRotation(local: usize, p: i32, world: usize): void {
  const bx = load<f64>(world);
  const by = load<f64>(world, 8);
  const bz = load<f64>(world, 16);
  const bw = load<f64>(world, 24);
  if (p < 0) {
    store<f32>(local, <f32>bx);
    store<f32>(local, <f32>by, 4);
    store<f32>(local, <f32>bz, 8);
    store<f32>(local, <f32>bw, 12);
    return;
  }
  const parent = quat(worldRotations, p);
  const ax = -load<f64>(parent);
  const ay = -load<f64>(parent, 8);
  const az = -load<f64>(parent, 16);
  const aw = load<f64>(parent, 24);
  store<f32>(local, <f32>(aw * bx + ax * bw + ay * bz - az * by));
  store<f32>(local, <f32>(aw * by - ax * bz + ay * bw + az * bx), 4);
  store<f32>(local, <f32>(aw * bz + ax * by - ay * bx + az * bw), 8);
  store<f32>(local, <f32>(aw * bw - ax * bx - ay * by - az * bz), 12);
}
