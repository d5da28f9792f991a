/** AssemblyScript: two-bone inverse kinematics, the same arithmetic in the same order as `src/math/two-bone.ts`. */
import { acos, cos } from './host-math.ts';
import { copyQuat, mulQuat, rotateVec, rotationBetween, subVec } from './quat.ts';

const UPPER: usize = memory.data(24, 16);
const LOWER: usize = memory.data(24, 16);
const LINE: usize = memory.data(24, 16);
const GOAL: usize = memory.data(24, 16);
const AXIS: usize = memory.data(24, 16);
const AIM: usize = memory.data(32, 16);
const TURN: usize = memory.data(32, 16);

const PLANE_FROM: f64 = 0.035;
const PLANE_TO: f64 = 0.21;
const LOCKED: f64 = 0.35;
const PLANE_FROM_COSINE: f64 = cos(PLANE_FROM);
const PLANE_TO_COSINE: f64 = cos(PLANE_TO);
const LOCKED_COSINE: f64 = cos(LOCKED);

/** @param out  two world rotations: for the upper bone, then for the lower one */
export function solveTwoBone(root: usize, middle: usize, end: usize, target: usize, hinge: usize, out: usize): void {
  subVec(UPPER, middle, root);
  subVec(LOWER, end, middle);
  subVec(LINE, end, root);
  subVec(GOAL, target, root);

  rotationBetween(AIM, LINE, GOAL);
  rotateVec(UPPER, AIM, UPPER);
  rotateVec(LOWER, AIM, LOWER);
  rotateVec(AXIS, AIM, hinge);
  const ux = load<f64>(UPPER);
  const uy = load<f64>(UPPER, 8);
  const uz = load<f64>(UPPER, 16);
  const lx = load<f64>(LOWER);
  const ly = load<f64>(LOWER, 8);
  const lz = load<f64>(LOWER, 16);
  const gx = load<f64>(GOAL);
  const gy = load<f64>(GOAL, 8);
  const gz = load<f64>(GOAL, 16);
  const a = sqrt(ux * ux + uy * uy + uz * uz);
  const b = sqrt(lx * lx + ly * ly + lz * lz);
  const c = sqrt(gx * gx + gy * gy + gz * gz);
  if (a === 0 || b === 0) {
    copyQuat(out, AIM);
    copyQuat(out + 32, AIM);
    return;
  }
  let tx = gx;
  let ty = gy;
  let tz = gz;
  let size = c;
  if (size === 0) {
    tx = ux + lx;
    ty = uy + ly;
    tz = uz + lz;
    size = sqrt(tx * tx + ty * ty + tz * tz);
  }
  if (size === 0) {
    tx = ux;
    ty = uy;
    tz = uz;
    size = a;
  }
  tx /= size;
  ty /= size;
  tz /= size;

  const along = ux * tx + uy * ty + uz * tz;
  let sx = ux - along * tx;
  let sy = uy - along * ty;
  let sz = uz - along * tz;
  const offset = sqrt(sx * sx + sy * sy + sz * sz);
  if (offset > 0) {
    sx /= offset;
    sy /= offset;
    sz /= offset;
  }
  const hx = load<f64>(AXIS);
  const hy = load<f64>(AXIS, 8);
  const hz = load<f64>(AXIS, 16);
  let ox = ty * hz - tz * hy;
  let oy = tz * hx - tx * hz;
  let oz = tx * hy - ty * hx;
  const opening = sqrt(ox * ox + oy * oy + oz * oz);
  if (opening > 0) {
    ox /= opening;
    oy /= opening;
    oz /= opening;
    const bendCosine = (ux * lx + uy * ly + uz * lz) / (a * b);
    let own: f64 = 0;
    if (offset === 0) own = 0;
    else if (sx * ox + sy * oy + sz * oz <= 0) own = bendCosine < LOCKED_COSINE ? 1 : 0;
    else if (bendCosine <= PLANE_TO_COSINE) own = 1;
    else if (bendCosine < PLANE_FROM_COSINE) {
      const u = (acos(bendCosine) - PLANE_FROM) / (PLANE_TO - PLANE_FROM);
      own = u * u * (3 - 2 * u);
    }
    sx = own * sx + (1 - own) * ox;
    sy = own * sy + (1 - own) * oy;
    sz = own * sz + (1 - own) * oz;
    size = sqrt(sx * sx + sy * sy + sz * sz);
    if (size > 0) {
      sx /= size;
      sy /= size;
      sz /= size;
    }
  }

  const cosine: f64 = c > 0 ? (a * a + c * c - b * b) / (2 * a * c) : 0;
  const away = max<f64>(-1, min<f64>(1, cosine));
  const up = a * away;
  const off = a * sqrt(1 - away * away);
  const px = up * tx + off * sx;
  const py = up * ty + off * sy;
  const pz = up * tz + off * sz;
  store<f64>(LINE, px);
  store<f64>(LINE, py, 8);
  store<f64>(LINE, pz, 16);
  rotationBetween(TURN, UPPER, LINE);
  mulQuat(out, TURN, AIM);
  const length = max<f64>(abs(a - b), min<f64>(a + b, c));
  store<f64>(LINE, length * tx - px);
  store<f64>(LINE, length * ty - py, 8);
  store<f64>(LINE, length * tz - pz, 16);
  rotationBetween(TURN, LOWER, LINE);
  mulQuat(out + 32, TURN, AIM);
}
