// Ways tried on 1,064 points with random blocks, bundled, Node 20.20, 2-core EPYC; ns a point, least of 400 solves:
//   344  Cholesky's factorisation of the band by rows (half width 6), loops over the band.
//    53  by blocks of 3 × 3, written out: one division does for three rows, and what couples a frame with the one before the
//         last is a multiple of one number. With blocks there too (`far`): 87.
//  In another run, beside the last:
//    64 → 55  what the two points before left behind is kept in locals in place of being read again, and no coupling is read
//         where there is none; with `far` 88 → 76.

/**
 * Solves (A + λ · D₂ᵀ·D₂) · x = b for a path x in space: A is symmetric with one 3 × 3 block a point, one between it and the
 * point before, and one between it and the second point before; D₂ takes the second differences of each coordinate. Each point
 * is coupled to the two before it, so the block factorisation L·D·Lᵀ (Golub & Van Loan, Matrix Computations, section 4.5) is
 * linear in the points. (ml-matrix keeps dense matrices only: a clip of 2,000 frames would need 36 million entries.)
 *
 * @param blocks      diagonal of A, points × 6: xx, xy, yy, xz, yz, zz; overwritten
 * @param couplings   left of it, points × 9: rows of the point, columns of the one before, row by row (the first block is not
 *                    read); overwritten
 * @param smoothness  λ
 * @param right       b, points × 3; overwritten with x
 * @param far         of A, points × 9: rows of the point, columns of the second one before; null where A has its diagonal blocks
 *                    alone: then the couplings are not read either
 * @returns whether the matrix is positive definite; if not, `right` holds nothing of use
 * Allocates nothing.
 */
export function solveSmoothPath(
  blocks: Float64Array,
  couplings: Float64Array,
  smoothness: number,
  right: Float64Array,
  far: Float64Array | null = null,
): boolean {
  const count = right.length / 3;
  // D of each block is kept inverted in `blocks`; the block of L left of it in `couplings`. The next one to the left is what
  // A and λ couple the two points with, times the inverse D above it; without `far` that is λ times the inverse.
  // Of the point before (p) and of the one before that (q): the inverse of D, and the right side; and the block of L of p.
  let pxx = 0;
  let pxy = 0;
  let pyy = 0;
  let pxz = 0;
  let pyz = 0;
  let pzz = 0;
  let px = 0;
  let py = 0;
  let pz = 0;
  let qxx = 0;
  let qxy = 0;
  let qyy = 0;
  let qxz = 0;
  let qyz = 0;
  let qzz = 0;
  let qx = 0;
  let qy = 0;
  let qz = 0;
  let lxx = 0;
  let lxy = 0;
  let lxz = 0;
  let lyx = 0;
  let lyy = 0;
  let lyz = 0;
  let lzx = 0;
  let lzy = 0;
  let lzz = 0;
  for (let i = 0; i < count; i++) {
    const a = i * 6;
    const l = i * 9;
    const r = i * 3;
    const inside = i >= 1 && i + 1 < count ? 4 : 0;
    const own = smoothness * ((i + 2 < count ? 1 : 0) + inside + (i >= 2 ? 1 : 0));
    let xx = blocks[a]! + own;
    let xy = blocks[a + 1]!;
    let yy = blocks[a + 2]! + own;
    let xz = blocks[a + 3]!;
    let yz = blocks[a + 4]!;
    let zz = blocks[a + 5]! + own;
    let x = right[r]!;
    let y = right[r + 1]!;
    let z = right[r + 2]!;
    if (i >= 1) {
      const before = smoothness * ((inside > 0 ? -2 : 0) + (i >= 2 ? -2 : 0));
      // W = coupling + before · 1 − smoothness · Lᵀ of the block before; then L = W · D⁻¹ of the block before.
      let wxx = before;
      let wxy = 0;
      let wxz = 0;
      let wyx = 0;
      let wyy = before;
      let wyz = 0;
      let wzx = 0;
      let wzy = 0;
      let wzz = before;
      if (far !== null) {
        wxx += couplings[l]!;
        wxy = couplings[l + 1]!;
        wxz = couplings[l + 2]!;
        wyx = couplings[l + 3]!;
        wyy += couplings[l + 4]!;
        wyz = couplings[l + 5]!;
        wzx = couplings[l + 6]!;
        wzy = couplings[l + 7]!;
        wzz += couplings[l + 8]!;
      }
      if (i >= 2 && far === null) {
        wxx -= smoothness * lxx;
        wyx -= smoothness * lxy;
        wzx -= smoothness * lxz;
        wxy -= smoothness * lyx;
        wyy -= smoothness * lyy;
        wzy -= smoothness * lyz;
        wxz -= smoothness * lzx;
        wyz -= smoothness * lzy;
        wzz -= smoothness * lzz;
        const dxx = smoothness * qxx;
        const dxy = smoothness * qxy;
        const dyy = smoothness * qyy;
        const dxz = smoothness * qxz;
        const dyz = smoothness * qyz;
        const dzz = smoothness * qzz;
        xx -= smoothness * dxx;
        xy -= smoothness * dxy;
        yy -= smoothness * dyy;
        xz -= smoothness * dxz;
        yz -= smoothness * dyz;
        zz -= smoothness * dzz;
        x -= dxx * qx + dxy * qy + dxz * qz;
        y -= dxy * qx + dyy * qy + dyz * qz;
        z -= dxz * qx + dyz * qy + dzz * qz;
      } else if (i >= 2) {
        // F = far + λ · 1; W loses F · Lᵀ of the block before, D and the right side lose F · D⁻¹ · Fᵀ and F · D⁻¹ · b.
        const fxx = far![l]! + smoothness;
        const fxy = far![l + 1]!;
        const fxz = far![l + 2]!;
        const fyx = far![l + 3]!;
        const fyy = far![l + 4]! + smoothness;
        const fyz = far![l + 5]!;
        const fzx = far![l + 6]!;
        const fzy = far![l + 7]!;
        const fzz = far![l + 8]! + smoothness;
        wxx -= fxx * lxx + fxy * lxy + fxz * lxz;
        wxy -= fxx * lyx + fxy * lyy + fxz * lyz;
        wxz -= fxx * lzx + fxy * lzy + fxz * lzz;
        wyx -= fyx * lxx + fyy * lxy + fyz * lxz;
        wyy -= fyx * lyx + fyy * lyy + fyz * lyz;
        wyz -= fyx * lzx + fyy * lzy + fyz * lzz;
        wzx -= fzx * lxx + fzy * lxy + fzz * lxz;
        wzy -= fzx * lyx + fzy * lyy + fzz * lyz;
        wzz -= fzx * lzx + fzy * lzy + fzz * lzz;
        const gxx = fxx * qxx + fxy * qxy + fxz * qxz;
        const gxy = fxx * qxy + fxy * qyy + fxz * qyz;
        const gxz = fxx * qxz + fxy * qyz + fxz * qzz;
        const gyx = fyx * qxx + fyy * qxy + fyz * qxz;
        const gyy = fyx * qxy + fyy * qyy + fyz * qyz;
        const gyz = fyx * qxz + fyy * qyz + fyz * qzz;
        const gzx = fzx * qxx + fzy * qxy + fzz * qxz;
        const gzy = fzx * qxy + fzy * qyy + fzz * qyz;
        const gzz = fzx * qxz + fzy * qyz + fzz * qzz;
        xx -= gxx * fxx + gxy * fxy + gxz * fxz;
        xy -= gyx * fxx + gyy * fxy + gyz * fxz;
        yy -= gyx * fyx + gyy * fyy + gyz * fyz;
        xz -= gzx * fxx + gzy * fxy + gzz * fxz;
        yz -= gzx * fyx + gzy * fyy + gzz * fyz;
        zz -= gzx * fzx + gzy * fzy + gzz * fzz;
        x -= gxx * qx + gxy * qy + gxz * qz;
        y -= gyx * qx + gyy * qy + gyz * qz;
        z -= gzx * qx + gzy * qy + gzz * qz;
      }
      lxx = wxx * pxx + wxy * pxy + wxz * pxz;
      lxy = wxx * pxy + wxy * pyy + wxz * pyz;
      lxz = wxx * pxz + wxy * pyz + wxz * pzz;
      lyx = wyx * pxx + wyy * pxy + wyz * pxz;
      lyy = wyx * pxy + wyy * pyy + wyz * pyz;
      lyz = wyx * pxz + wyy * pyz + wyz * pzz;
      lzx = wzx * pxx + wzy * pxy + wzz * pxz;
      lzy = wzx * pxy + wzy * pyy + wzz * pyz;
      lzz = wzx * pxz + wzy * pyz + wzz * pzz;
      couplings[l] = lxx;
      couplings[l + 1] = lxy;
      couplings[l + 2] = lxz;
      couplings[l + 3] = lyx;
      couplings[l + 4] = lyy;
      couplings[l + 5] = lyz;
      couplings[l + 6] = lzx;
      couplings[l + 7] = lzy;
      couplings[l + 8] = lzz;
      xx -= lxx * wxx + lxy * wxy + lxz * wxz;
      xy -= lyx * wxx + lyy * wxy + lyz * wxz;
      yy -= lyx * wyx + lyy * wyy + lyz * wyz;
      xz -= lzx * wxx + lzy * wxy + lzz * wxz;
      yz -= lzx * wyx + lzy * wyy + lzz * wyz;
      zz -= lzx * wzx + lzy * wzy + lzz * wzz;
      x -= lxx * px + lxy * py + lxz * pz;
      y -= lyx * px + lyy * py + lyz * pz;
      z -= lzx * px + lzy * py + lzz * pz;
    }
    const cxx = yy * zz - yz * yz;
    const cxy = xz * yz - xy * zz;
    const cxz = xy * yz - xz * yy;
    const minor = xx * yy - xy * xy;
    const determinant = xx * cxx + xy * cxy + xz * cxz;
    if (!(xx > 0 && minor > 0 && determinant > 0)) return false;
    const k = 1 / determinant;
    qxx = pxx;
    qxy = pxy;
    qyy = pyy;
    qxz = pxz;
    qyz = pyz;
    qzz = pzz;
    qx = px;
    qy = py;
    qz = pz;
    pxx = k * cxx;
    pxy = k * cxy;
    pyy = k * (xx * zz - xz * xz);
    pxz = k * cxz;
    pyz = k * (xy * xz - xx * yz);
    pzz = k * minor;
    px = x;
    py = y;
    pz = z;
    blocks[a] = pxx;
    blocks[a + 1] = pxy;
    blocks[a + 2] = pyy;
    blocks[a + 3] = pxz;
    blocks[a + 4] = pyz;
    blocks[a + 5] = pzz;
    right[r] = x;
    right[r + 1] = y;
    right[r + 2] = z;
  }
  // The same backwards: p is the point after, q the one after that.
  for (let i = count - 1; i >= 0; i--) {
    const a = i * 6;
    const r = i * 3;
    let x = right[r]!;
    let y = right[r + 1]!;
    let z = right[r + 2]!;
    if (i + 2 < count) {
      x -= smoothness * qx;
      y -= smoothness * qy;
      z -= smoothness * qz;
      if (far !== null) {
        const l = i * 9 + 18;
        x -= far[l]! * qx + far[l + 3]! * qy + far[l + 6]! * qz;
        y -= far[l + 1]! * qx + far[l + 4]! * qy + far[l + 7]! * qz;
        z -= far[l + 2]! * qx + far[l + 5]! * qy + far[l + 8]! * qz;
      }
    }
    const dxy = blocks[a + 1]!;
    const dxz = blocks[a + 3]!;
    const dyz = blocks[a + 4]!;
    let sx = blocks[a]! * x + dxy * y + dxz * z;
    let sy = dxy * x + blocks[a + 2]! * y + dyz * z;
    let sz = dxz * x + dyz * y + blocks[a + 5]! * z;
    if (i + 1 < count) {
      const l = i * 9 + 9;
      sx -= couplings[l]! * px + couplings[l + 3]! * py + couplings[l + 6]! * pz;
      sy -= couplings[l + 1]! * px + couplings[l + 4]! * py + couplings[l + 7]! * pz;
      sz -= couplings[l + 2]! * px + couplings[l + 5]! * py + couplings[l + 8]! * pz;
    }
    qx = px;
    qy = py;
    qz = pz;
    px = sx;
    py = sy;
    pz = sz;
    right[r] = sx;
    right[r + 1] = sy;
    right[r + 2] = sz;
  }
  return true;
}
