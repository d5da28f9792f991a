/**
 * An angle without the jump from 180 to −180 degrees: as it is up to `whole` either way, from there on bent back to 0 at 180,
 * continuous in value and slope all round. Feet of captures do turn so far: whatever is taken off their angle against the floor
 * or the shin has to come out the same on both sides of 180 degrees, or the foot flips within a frame.
 *
 * @param angle  −π … π
 */
export function foldAngle(angle: number, whole: number): number {
  const u = (Math.abs(angle) - whole) / (Math.PI - whole);
  return u <= 0 ? angle : angle * (1 - u * u * (3 - 2 * u));
}
