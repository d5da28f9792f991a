import {
  CONCEPTS,
  type Concept,
  MIN_PART_LENGTH,
  type NamedSide,
  SHORT_PARTS,
  SIDED_ONLY,
  SIDES_BY_WORD,
} from './vocabulary.ts';

/** A part of the body without its side; the joint roles are `hips` … `little` with a side where they have one. */
export type Part =
  | 'hips'
  | 'spine'
  | 'chest'
  | 'upperChest'
  | 'neck'
  | 'head'
  | 'eye'
  | 'jaw'
  | 'upperLeg'
  | 'lowerLeg'
  | 'foot'
  | 'toes'
  | 'shoulder'
  | 'upperArm'
  | 'lowerArm'
  | 'hand'
  | 'thumb'
  | 'index'
  | 'middle'
  | 'ring'
  | 'little'
  | 'finger';

/** What a joint's name says, once what all names share is taken away. */
export interface NameReading {
  side: NamedSide | null;
  concepts: Concept[];
  /** The words behind the concepts, as the name spells them. */
  words: string[];
  /** The last number in the name, or null. */
  number: number | null;
  /** Log evidence for each part that the words speak of; empty when they speak of none. */
  parts: Partial<Record<Part, number>>;
}

/** Log evidence against a part when a name speaks of another one. */
const CONTRADICTION = -2;
/** A token that more than this share of the names carries says nothing about one joint. */
const SHARED_TOKEN = 0.7;
/** Fewer names than this share tokens by chance. */
const SHARED_MIN_NAMES = 8;

/** What each concept alone speaks for. The weights are judgement: 3 says it plainly, 2 may mean two things. */
const PARTS_OF: Partial<Record<Concept, Partial<Record<Part, number>>>> = {
  hip: { hips: 2.5, upperLeg: 2 },
  pelvis: { hips: 3 },
  thigh: { upperLeg: 3 },
  shin: { lowerLeg: 3 },
  leg: { upperLeg: 1.8, lowerLeg: 1.8 },
  knee: { lowerLeg: 3 },
  ankle: { foot: 3 },
  foot: { foot: 3 },
  toe: { toes: 3 },
  spine: { spine: 2.5, chest: 1.5, upperChest: 1.5 },
  waist: { spine: 2.5, hips: 0.5 },
  torso: { chest: 1.5, spine: 1.5, upperChest: 1.2, hips: 1 },
  chest: { chest: 2.5, upperChest: 2, spine: 1 },
  neck: { neck: 3 },
  head: { head: 3 },
  collar: { shoulder: 3 },
  shoulder: { shoulder: 2, upperArm: 2 },
  arm: { upperArm: 2, lowerArm: 0.5 },
  upperarm: { upperArm: 3 },
  forearm: { lowerArm: 3 },
  elbow: { lowerArm: 3 },
  wrist: { hand: 3 },
  hand: { hand: 2.5 },
  finger: { finger: 2, middle: 1, index: 1 },
  thumb: { thumb: 3 },
  index: { index: 3 },
  middle: { middle: 3 },
  ring: { ring: 3 },
  little: { little: 3 },
  eye: { eye: 3 },
  jaw: { jaw: 3 },
  root: { hips: 0.5 },
};

const FINGER_CONCEPTS: ReadonlySet<Concept> = new Set(['thumb', 'index', 'middle', 'ring', 'little']);
const HELPER_CONCEPTS: ReadonlySet<Concept> = new Set(['twist', 'pole', 'control', 'prop', 'tip', 'extra']);

/** Reads all names of a skeleton together: what they share is found by counting and left out. */
export function readNames(names: readonly string[]): NameReading[] {
  const tokenLists = stripSharedPrefix(names).map(tokenize);
  const carriers = new Map<string, number>();
  for (const tokens of tokenLists)
    for (const token of new Set(tokens)) carriers.set(token, (carriers.get(token) ?? 0) + 1);
  const limit = names.length >= SHARED_MIN_NAMES ? SHARED_TOKEN * names.length : Number.POSITIVE_INFINITY;
  return tokenLists.map((tokens) => readTokens(tokens.filter((token) => carriers.get(token)! <= limit)));
}

/** Log evidence that a joint of this name is this part; 0 where the name says nothing. */
export function nameEvidence(reading: NameReading, part: Part): number {
  const spoken = reading.parts[part];
  if (spoken !== undefined) return spoken;
  return saysSomething(reading) ? CONTRADICTION : 0;
}

export function saysSomething(reading: NameReading): boolean {
  return Object.keys(reading.parts).length > 0 || isHelperName(reading);
}

/** Whether the name speaks of something that is no part of the body: a twist joint, a control, hair, a weapon slot. */
export function isHelperName(reading: NameReading): boolean {
  return reading.concepts.some((concept) => HELPER_CONCEPTS.has(concept));
}

/** Whether two names are the same but for their side. */
export function areMirroredNames(a: NameReading, b: NameReading): boolean {
  return (
    a.side !== null &&
    b.side !== null &&
    a.side !== b.side &&
    a.number === b.number &&
    a.words.length === b.words.length &&
    a.words.every((word, i) => word === b.words[i])
  );
}

/** Accents of Latin letters; the marks that tell ざ from さ are none. */
const ACCENTS = /[\u0300-\u036f]/g;

/** Lower-case words and numbers of a name, split at separators, changes of case and digits. */
export function tokenize(name: string): string[] {
  return (
    name
      .normalize('NFKC')
      .replace(/(\p{Ll})(\p{Lu})/gu, '$1 $2')
      .replace(/(\p{Lu})(\p{Lu}\p{Ll})/gu, '$1 $2')
      .match(/\p{L}\p{M}*(?:\p{L}\p{M}*)*|\d+/gu)
      ?.map((token) => token.normalize('NFKD').replace(ACCENTS, '').normalize('NFKC').toLowerCase())
      .flatMap(splitSideKanji) ?? []
  );
}

/** 左ひざ is written without a separator. */
function splitSideKanji(token: string): string[] {
  return token.length > 1 && (token[0] === '左' || token[0] === '右') ? [token[0], token.slice(1)] : [token];
}

/** Takes off a start that nearly all names have without a separator of its own: `mchead`, `mcspine`. */
function stripSharedPrefix(names: readonly string[]): string[] {
  if (names.length < SHARED_MIN_NAMES) return [...names];
  const sorted = [...names].sort();
  // Any start that 70 % of the names share covers the name at 30 %, 50 % and 70 % of the sorted list at once.
  const low = sorted[Math.floor(names.length * (1 - SHARED_TOKEN))]!;
  const high = sorted[Math.floor(names.length * SHARED_TOKEN)]!;
  let length = 0;
  while (length < low.length && length < high.length && low[length] === high[length]) length++;
  const prefix = low.slice(0, length);
  const carriers = names.filter((name) => name.startsWith(prefix));
  // A whole name cannot be taken away, and neither can the side that most joints of one half share.
  if (length === 0 || carriers.length < SHARED_TOKEN * names.length) return [...names];
  if (tokenize(prefix).some((token) => SIDES_BY_WORD.has(token) && token.length > 1)) return [...names];
  return names.map((name) => (name.startsWith(prefix) && name.length > length ? name.slice(length) : name));
}

function readTokens(tokens: readonly string[]): NameReading {
  let side: NamedSide | null = null;
  let number: number | null = null;
  const words: string[] = [];
  for (const token of tokens) {
    if (/^\d+$/.test(token)) {
      number = Number(token);
      continue;
    }
    for (const word of splitCompound(token)) {
      const spokenSide = SIDES_BY_WORD.get(word);
      if (spokenSide) {
        side ??= spokenSide;
        continue;
      }
      words.push(word);
    }
  }
  const concepts = words.flatMap((word) => {
    const concept = side === null && SIDED_ONLY.has(word) ? undefined : CONCEPTS.get(word);
    return concept && concept !== 'neutral' ? [concept] : [];
  });
  const parts = { ...partsOf(concepts) };
  // A hip with a side is the hip joint, where the thigh starts; without one it is the pelvis.
  if (side !== null && parts.hips !== undefined) delete parts.hips;
  return { side, number, concepts, words, parts };
}

/**
 * `lowerback` → lower, back; `lhand` → l, hand. A token that known words do not cover without a rest stays whole.
 */
function splitCompound(token: string): string[] {
  if (SIDES_BY_WORD.has(token) || CONCEPTS.has(token)) return [token];
  const cover = coverByWords(token);
  if (cover) return cover;
  for (const letter of ['l', 'r']) {
    if (token.startsWith(letter)) {
      const rest = coverByWords(token.slice(1));
      if (rest) return [letter, ...rest];
    }
    if (token.endsWith(letter)) {
      const rest = coverByWords(token.slice(0, -1));
      if (rest) return [...rest, letter];
    }
  }
  return [token];
}

/** The fewest known words that make up a token, or null. */
function coverByWords(token: string): string[] | null {
  const best: (string[] | null)[] = [[]];
  for (let end = 1; end <= token.length; end++) {
    best[end] = null;
    for (let start = 0; start < end; start++) {
      const before = best[start];
      const word = token.slice(start, end);
      const isLongEnough = word.length >= MIN_PART_LENGTH || SHORT_PARTS.has(word);
      if (!before || !isLongEnough || !(CONCEPTS.has(word) || SIDES_BY_WORD.has(word))) continue;
      if (!best[end] || before.length + 1 < best[end]!.length) best[end] = [...before, word];
    }
  }
  return best[token.length] ?? null;
}

/** Combines the concepts of one name: `upper` turns `arm` into the upper arm, `index` outdoes `hand`. */
function partsOf(concepts: readonly Concept[]): Partial<Record<Part, number>> {
  const has = (concept: Concept): boolean => concepts.includes(concept);
  if (concepts.some((concept) => HELPER_CONCEPTS.has(concept))) return {};
  const finger = concepts.find((concept) => FINGER_CONCEPTS.has(concept));
  // `mid` says middle finger only where nothing else is spoken of (`midspine`), or with a hand or finger.
  const others = concepts.filter(
    (c) => c !== finger && c !== 'hand' && c !== 'finger' && c !== 'upper' && c !== 'lower',
  );
  if (finger && !others.some((c) => PARTS_OF[c] !== undefined && c !== 'toe' && c !== 'wrist')) {
    return has('toe') || has('foot') ? {} : PARTS_OF[finger]!;
  }
  if (has('upper')) {
    if (has('arm')) return { upperArm: 3 };
    if (has('leg')) return { upperLeg: 3 };
    if (has('chest')) return { upperChest: 3.5, chest: 1 };
    if (has('spine') || has('torso')) return { upperChest: 2, chest: 1.8, spine: 0.8 };
  }
  if (has('lower')) {
    if (has('arm')) return { lowerArm: 3 };
    if (has('leg')) return { lowerLeg: 3 };
    if (has('spine') || has('torso') || has('chest')) return { spine: 2.5, chest: 0.8 };
  }
  // `HipJoint` above `UpLeg`, `HandIndex`, `ToeBase`: the last part named counts, and the first a little.
  const speaking = concepts.filter((concept) => PARTS_OF[concept] !== undefined && !FINGER_CONCEPTS.has(concept));
  if (speaking.length === 0) return {};
  const last = PARTS_OF[speaking[speaking.length - 1]!]!;
  if (speaking.length === 1) return last;
  const parts: Partial<Record<Part, number>> = { ...last };
  for (const [part, weight] of Object.entries(PARTS_OF[speaking[0]!]!) as [Part, number][]) {
    parts[part] = Math.max(parts[part] ?? 0, weight * 0.5);
  }
  return parts;
}
