/** AssemblyScript: the rotations of a clip, frame after frame, to one run a joint. */

/**
 * Frame-major rows of quaternions (4 Float32) to one run a joint, a piece of the clip after the other: run `j` begins at
 * `out` + `j` · `stride`. Of a joint that has not moved yet only the first frame is laid out, as most joints of a rig
 * never move.
 *
 * @param rows   `rowCount` rows of the clip, the first of them row `done`
 * @param moves  one Int32 a joint, overwritten: whether some bit of its rotation was not that of the first row, or no number
 */
export function transpose(
  rows: usize,
  rowCount: i32,
  jointCount: i32,
  out: usize,
  stride: usize,
  done: i32,
  moves: usize,
): void {
  const rowBytes = (<usize>jointCount) << 4;
  const end = rows + <usize>rowCount * rowBytes;
  for (let j = 0; j < jointCount; j++) {
    let from = rows + ((<usize>j) << 4);
    const run = out + <usize>j * stride;
    const flag = moves + ((<usize>j) << 2);
    if (done === 0) {
      const first = v128.load(from);
      v128.store(run, first);
      store<i32>(flag, v128.any_true(f32x4.ne(first, first)) ? 1 : 0);
    }
    if (load<i32>(flag) === 0) {
      const first = v128.load(run);
      let other = v128.xor(first, first);
      let at = from;
      for (; at + rowBytes * 3 < end; at += rowBytes * 4) {
        const two = v128.or(v128.xor(v128.load(at), first), v128.xor(v128.load(at + rowBytes), first));
        const more = at + rowBytes * 2;
        const last = v128.or(v128.xor(v128.load(more), first), v128.xor(v128.load(more + rowBytes), first));
        other = v128.or(other, v128.or(two, last));
      }
      for (; at < end; at += rowBytes) other = v128.or(other, v128.xor(v128.load(at), first));
      if (!v128.any_true(other)) continue;
      store<i32>(flag, 1);
      repeat(run, done);
    }
    let to = run + ((<usize>done) << 4);
    for (; from + rowBytes * 3 < end; from += rowBytes * 4) {
      const more = from + rowBytes * 2;
      v128.store(to, v128.load(from));
      v128.store(to, v128.load(from + rowBytes), 16);
      v128.store(to, v128.load(more), 32);
      v128.store(to, v128.load(more + rowBytes), 48);
      to += 64;
    }
    for (; from < end; from += rowBytes) {
      v128.store(to, v128.load(from));
      to += 16;
    }
  }
}

/** Fills the first `count` quaternions of a run (4 Float32 each) with the first. */
export function repeat(run: usize, count: i32): void {
  const first = v128.load(run);
  const end = run + ((<usize>count) << 4);
  for (let at = run + 16; at < end; at += 16) v128.store(at, first);
}

/** Whether all quaternions of a run (4 Float32 each) are the first. */
export function holdsStill(run: usize, count: i32): bool {
  const first = v128.load(run);
  const end = run + ((<usize>count) << 4);
  for (let at = run + 16; at < end; at += 16) {
    if (v128.any_true(f32x4.ne(v128.load(at), first))) return false;
  }
  return true;
}
