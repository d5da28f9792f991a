// Ways tried on 1,064 points with random blocks, bundled, Node 20.20, 2-core EPYC; ns a point, least of 400 solves:
//   344  Cholesky's factorisation of the band by rows (half width 6), loops over the band.
//    53  by blocks of 3 × 3, written out: one division does for three rows, and what couples a frame with the one before the
//         last is a multiple of one number. With blocks there too (`far`): 87.

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
 * @param far         of A, points × 9: rows of the point, columns of the second one before; null where there is nothing
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
      let wxx = couplings[l]! + before;
      let wxy = couplings[l + 1]!;
      let wxz = couplings[l + 2]!;
      let wyx = couplings[l + 3]!;
      let wyy = couplings[l + 4]! + before;
      let wyz = couplings[l + 5]!;
      let wzx = couplings[l + 6]!;
      let wzy = couplings[l + 7]!;
      let wzz = couplings[l + 8]! + before;
      if (i >= 2 && far === null) {
        const k = l - 9;
        wxx -= smoothness * couplings[k]!;
        wyx -= smoothness * couplings[k + 1]!;
        wzx -= smoothness * couplings[k + 2]!;
        wxy -= smoothness * couplings[k + 3]!;
        wyy -= smoothness * couplings[k + 4]!;
        wzy -= smoothness * couplings[k + 5]!;
        wxz -= smoothness * couplings[k + 6]!;
        wyz -= smoothness * couplings[k + 7]!;
        wzz -= smoothness * couplings[k + 8]!;
        const d = a - 12;
        const dxx = smoothness * blocks[d]!;
        const dxy = smoothness * blocks[d + 1]!;
        const dyy = smoothness * blocks[d + 2]!;
        const dxz = smoothness * blocks[d + 3]!;
        const dyz = smoothness * blocks[d + 4]!;
        const dzz = smoothness * blocks[d + 5]!;
        xx -= smoothness * dxx;
        xy -= smoothness * dxy;
        yy -= smoothness * dyy;
        xz -= smoothness * dxz;
        yz -= smoothness * dyz;
        zz -= smoothness * dzz;
        const px = right[r - 6]!;
        const py = right[r - 5]!;
        const pz = right[r - 4]!;
        x -= dxx * px + dxy * py + dxz * pz;
        y -= dxy * px + dyy * py + dyz * pz;
        z -= dxz * px + dyz * py + dzz * pz;
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
        const k = l - 9;
        const kxx = couplings[k]!;
        const kxy = couplings[k + 1]!;
        const kxz = couplings[k + 2]!;
        const kyx = couplings[k + 3]!;
        const kyy = couplings[k + 4]!;
        const kyz = couplings[k + 5]!;
        const kzx = couplings[k + 6]!;
        const kzy = couplings[k + 7]!;
        const kzz = couplings[k + 8]!;
        wxx -= fxx * kxx + fxy * kxy + fxz * kxz;
        wxy -= fxx * kyx + fxy * kyy + fxz * kyz;
        wxz -= fxx * kzx + fxy * kzy + fxz * kzz;
        wyx -= fyx * kxx + fyy * kxy + fyz * kxz;
        wyy -= fyx * kyx + fyy * kyy + fyz * kyz;
        wyz -= fyx * kzx + fyy * kzy + fyz * kzz;
        wzx -= fzx * kxx + fzy * kxy + fzz * kxz;
        wzy -= fzx * kyx + fzy * kyy + fzz * kyz;
        wzz -= fzx * kzx + fzy * kzy + fzz * kzz;
        const d = a - 12;
        const dxx = blocks[d]!;
        const dxy = blocks[d + 1]!;
        const dyy = blocks[d + 2]!;
        const dxz = blocks[d + 3]!;
        const dyz = blocks[d + 4]!;
        const dzz = blocks[d + 5]!;
        const gxx = fxx * dxx + fxy * dxy + fxz * dxz;
        const gxy = fxx * dxy + fxy * dyy + fxz * dyz;
        const gxz = fxx * dxz + fxy * dyz + fxz * dzz;
        const gyx = fyx * dxx + fyy * dxy + fyz * dxz;
        const gyy = fyx * dxy + fyy * dyy + fyz * dyz;
        const gyz = fyx * dxz + fyy * dyz + fyz * dzz;
        const gzx = fzx * dxx + fzy * dxy + fzz * dxz;
        const gzy = fzx * dxy + fzy * dyy + fzz * dyz;
        const gzz = fzx * dxz + fzy * dyz + fzz * dzz;
        xx -= gxx * fxx + gxy * fxy + gxz * fxz;
        xy -= gyx * fxx + gyy * fxy + gyz * fxz;
        yy -= gyx * fyx + gyy * fyy + gyz * fyz;
        xz -= gzx * fxx + gzy * fxy + gzz * fxz;
        yz -= gzx * fyx + gzy * fyy + gzz * fyz;
        zz -= gzx * fzx + gzy * fzy + gzz * fzz;
        const px = right[r - 6]!;
        const py = right[r - 5]!;
        const pz = right[r - 4]!;
        x -= gxx * px + gxy * py + gxz * pz;
        y -= gyx * px + gyy * py + gyz * pz;
        z -= gzx * px + gzy * py + gzz * pz;
      }
      const d = a - 6;
      const dxx = blocks[d]!;
      const dxy = blocks[d + 1]!;
      const dyy = blocks[d + 2]!;
      const dxz = blocks[d + 3]!;
      const dyz = blocks[d + 4]!;
      const dzz = blocks[d + 5]!;
      const lxx = wxx * dxx + wxy * dxy + wxz * dxz;
      const lxy = wxx * dxy + wxy * dyy + wxz * dyz;
      const lxz = wxx * dxz + wxy * dyz + wxz * dzz;
      const lyx = wyx * dxx + wyy * dxy + wyz * dxz;
      const lyy = wyx * dxy + wyy * dyy + wyz * dyz;
      const lyz = wyx * dxz + wyy * dyz + wyz * dzz;
      const lzx = wzx * dxx + wzy * dxy + wzz * dxz;
      const lzy = wzx * dxy + wzy * dyy + wzz * dyz;
      const lzz = wzx * dxz + wzy * dyz + wzz * dzz;
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
      const px = right[r - 3]!;
      const py = right[r - 2]!;
      const pz = right[r - 1]!;
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
    blocks[a] = k * cxx;
    blocks[a + 1] = k * cxy;
    blocks[a + 2] = k * (xx * zz - xz * xz);
    blocks[a + 3] = k * cxz;
    blocks[a + 4] = k * (xy * xz - xx * yz);
    blocks[a + 5] = k * minor;
    right[r] = x;
    right[r + 1] = y;
    right[r + 2] = z;
  }
  for (let i = count - 1; i >= 0; i--) {
    const a = i * 6;
    const r = i * 3;
    let x = right[r]!;
    let y = right[r + 1]!;
    let z = right[r + 2]!;
    if (i + 2 < count) {
      const px = right[r + 6]!;
      const py = right[r + 7]!;
      const pz = right[r + 8]!;
      x -= smoothness * px;
      y -= smoothness * py;
      z -= smoothness * pz;
      if (far !== null) {
        const l = i * 9 + 18;
        x -= far[l]! * px + far[l + 3]! * py + far[l + 6]! * pz;
        y -= far[l + 1]! * px + far[l + 4]! * py + far[l + 7]! * pz;
        z -= far[l + 2]! * px + far[l + 5]! * py + far[l + 8]! * pz;
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
      const px = right[r + 3]!;
      const py = right[r + 4]!;
      const pz = right[r + 5]!;
      sx -= couplings[l]! * px + couplings[l + 3]! * py + couplings[l + 6]! * pz;
      sy -= couplings[l + 1]! * px + couplings[l + 4]! * py + couplings[l + 7]! * pz;
      sz -= couplings[l + 2]! * px + couplings[l + 5]! * py + couplings[l + 8]! * pz;
    }
    right[r] = sx;
    right[r + 1] = sy;
    right[r + 2] = sz;
  }
  return true;
}
