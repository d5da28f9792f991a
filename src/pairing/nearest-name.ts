/**
 * The candidate that is most like `name`, or undefined when none is near: more than a third of its letters differ.
 * Case, separators and blanks do not count: `Left Hand` is near `leftHand`.
 */
export function nearestName<T extends string>(name: string, candidates: readonly T[]): T | undefined {
  const wanted = plain(name);
  let best: T | undefined;
  let bestDistance = Number.POSITIVE_INFINITY;
  for (const candidate of candidates) {
    const distance = editDistance(wanted, plain(candidate));
    if (distance < bestDistance) {
      best = candidate;
      bestDistance = distance;
    }
  }
  return bestDistance <= Math.max(1, wanted.length / 3) ? best : undefined;
}

function plain(name: string): string {
  return name.toLowerCase().replaceAll(/[\s._:|-]+/g, '');
}

/** Levenshtein 1966: the fewest letters to insert, delete or replace. */
function editDistance(a: string, b: string): number {
  let above = Array.from({ length: b.length + 1 }, (_, i) => i);
  for (let i = 1; i <= a.length; i++) {
    const row = [i];
    for (let k = 1; k <= b.length; k++) {
      row.push(Math.min(above[k]! + 1, row[k - 1]! + 1, above[k - 1]! + (a[i - 1] === b[k - 1] ? 0 : 1)));
    }
    above = row;
  }
  return above[b.length]!;
}
