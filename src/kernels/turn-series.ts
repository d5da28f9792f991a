/** AssemblyScript: from unit quaternions to rotation vectors and back, by polynomials. */

/**
 * 2 acos(w) / sqrt(1 - w²), what turns xyz of a unit quaternion into its rotation vector, as a polynomial in 1 - w through
 * nine Chebyshev points of 0 … 0.5: off by at most 2.9e-11 of the value there (at 2001 points, 50 digits).
 */
const L0: f64 = 2.000000000054088;
const L1: f64 = 0.6666666491680934;
const L2: f64 = 0.26666759292940845;
const L3: f64 = 0.11426696637028401;
const L4: f64 = 0.050982073886356;
const L5: f64 = 0.02203768424404385;
const L6: f64 = 0.01402425519231971;
const L7: f64 = -0.0010724261012894862;
const L8: f64 = 0.00761617034321653;

/** The same below 10 degrees, where nearly all lines end: 2 + 2/3 u + 4/15 u² + 4/35 u³, off by 7e-12 of the value at most. */
const SMALL_U: f64 = 0.004;
const T1: f64 = 2.0 / 3;
const T2: f64 = 4.0 / 15;
const T3: f64 = 4.0 / 35;

/** What turns xyz of a unit quaternion into its rotation vector, of `u` = 1 - w (see above). */
export function turnPerLength(u: f64): f64 {
  const u2 = u * u;
  const u4 = u2 * u2;
  return u < SMALL_U
    ? 2 + T1 * u + (T2 + T3 * u) * u2
    : L0 + L1 * u + (L2 + L3 * u) * u2 + (L4 + L5 * u + (L6 + L7 * u) * u2) * u4 + L8 * (u4 * u4);
}

/** Inverse factorials: sin(h) / h = 1 - S1 h² + S2 h⁴ - … */
const S1: f64 = 1.0 / 6;
const S2: f64 = 1.0 / 120;
const S3: f64 = 1.0 / 5040;
const S4: f64 = 1.0 / 362880;
const S5: f64 = 1.0 / 39916800;
const S6: f64 = 1.0 / 6227020800;
const S7: f64 = 1.0 / 1307674368000;

/** sin(h) / h of `h2` = h². */
export function sineOver(h2: f64): f64 {
  const h4 = h2 * h2;
  const h8 = h4 * h4;
  return 1 - S1 * h2 + (S2 - S3 * h2) * h4 + (S4 - S5 * h2 + (S6 - S7 * h2) * h4) * h8;
}

/** cos(h) = 1 - C1 h² + C2 h⁴ - … */
const C1: f64 = 1.0 / 2;
const C2: f64 = 1.0 / 24;
const C3: f64 = 1.0 / 720;
const C4: f64 = 1.0 / 40320;
const C5: f64 = 1.0 / 3628800;
const C6: f64 = 1.0 / 479001600;
const C7: f64 = 1.0 / 87178291200;

/** cos(h) of `h2` = h². */
export function cosineOf(h2: f64): f64 {
  const h4 = h2 * h2;
  const h8 = h4 * h4;
  return 1 - C1 * h2 + (C2 - C3 * h2) * h4 + (C4 - C5 * h2 + (C6 - C7 * h2) * h4) * h8;
}
