import { readNames, tokenize } from './names.ts';
import { SIDES_BY_WORD } from './vocabulary.ts';

/** How a joint's name spells its side. */
export interface SideMark {
  side: 'left' | 'right';
  /** As spelled: `L`, `right`. */
  word: string;
  /**
   * The way of spelling, equal for both sides and all joints of a consistent rig: where the word stands, in which case
   * and length, and what parts it from the rest: `after . L`.
   */
  style: string;
  /** The name without its side, in lower case: equal for two partners. */
  stem: string;
}

/** The side marks of all names of a skeleton, read together; null where a name has no side. Throws nothing. */
export function readSideMarks(names: readonly string[]): (SideMark | null)[] {
  const readings = readNames(names);
  return names.map((name, j) => {
    const { side } = readings[j]!;
    if (side !== 'left' && side !== 'right') return null;
    return markOf(name, side);
  });
}

/** The name without side, separators and case; what `SideMark.stem` is for a name that has no side. */
export function stemOf(name: string): string {
  return tokenize(name).join(' ');
}

function markOf(name: string, side: 'left' | 'right'): SideMark | null {
  const pieces = [...name.matchAll(/\p{Lu}+(?!\p{Ll})|\p{L}\p{Ll}*|\d+/gu)];
  const spoken = pieces.find(([word]) => SIDES_BY_WORD.get(word.toLowerCase()) === side);
  // Written without a break: `lhand`, `leftarm`, 左ひざ.
  const fused = spoken
    ? null
    : pieces.map(([word, ...rest], i) => ({ word, i, rest })).find(({ word }) => fusedSide(word, side));
  const word = spoken ? spoken[0] : fused ? fusedSide(fused.word, side)! : null;
  if (word === null) return null;
  const start = spoken
    ? spoken.index
    : pieces[fused!.i]!.index + (fused!.word.startsWith(word) ? 0 : fused!.word.length - word.length);
  const before = name.slice(0, start);
  const after = name.slice(start + word.length);
  const hasBefore = /\p{L}/u.test(before);
  const hasAfter = /\p{L}/u.test(after);
  const place = hasBefore && hasAfter ? 'within' : hasBefore ? 'after' : 'before';
  const left = hasBefore ? (/[^\p{L}\d]+$/u.exec(before)?.[0] ?? '') : '';
  const right = hasAfter ? (/^[^\p{L}\d]+/u.exec(after)?.[0] ?? '') : '';
  const isWord = [...word].length > 1;
  const spelled =
    word === word.toLowerCase()
      ? isWord
        ? 'left'
        : 'l'
      : word === word.toUpperCase()
        ? isWord
          ? 'LEFT'
          : 'L'
        : 'Left';
  return { side, word, style: `${place} ${left}${spelled}${right}`, stem: stemOf(`${before} ${after}`) };
}

/** The side word at the start or end of a run of letters, as spelled. */
function fusedSide(word: string, side: 'left' | 'right'): string | null {
  for (const [spoken, of] of SIDES_BY_WORD) {
    if (of !== side) continue;
    if (word.toLowerCase().startsWith(spoken)) return word.slice(0, spoken.length);
    if (word.toLowerCase().endsWith(spoken)) return word.slice(-spoken.length);
  }
  return null;
}
