import { type Note, type Place, RigproofError } from '../../errors.ts';
import type { JointSource } from '../../skeleton/skeleton.ts';
import type { BvhChannel } from './bvh-file.ts';
import { parseNumberText } from './numbers.ts';

/** A joint as the file declares it. */
export interface BvhNode extends JointSource {
  children: BvhNode[];
  tips: { offset: readonly [number, number, number]; name?: string }[];
  channels: BvhChannel[];
}

/** Everything before the first frame. */
export interface BvhHeader {
  roots: BvhNode[];
  /** Frames that the file announces; not to be trusted. */
  declaredFrames: number;
  /** Seconds. */
  frameDuration: number;
  /** Where the header ends: offset in its text, line from 1, column from 1. */
  end: number;
  line: number;
  column: number;
  notes: Note[];
}

/** Joint indices are Int16. */
const MAX_JOINTS = 32767;
const CHANNELS: readonly BvhChannel[] = ['Xposition', 'Yposition', 'Zposition', 'Xrotation', 'Yrotation', 'Zrotation'];
const CHANNEL_NAMES = new Map(CHANNELS.map((channel) => [channel.toLowerCase(), channel]));
const KEYWORDS = new Set(['root', 'joint', 'end', 'offset', 'channels', 'motion', '{', '}', '']);
const CHANNEL_HINT = `BVH knows ${CHANNELS.join(', ')}.`;
const CUT_HINT = 'The file seems cut short: export or copy it again.';
/** Used where the file gives no time for its only frame. */
const FALLBACK_FRAME_DURATION = 1 / 30;

/** An open brace: a joint, or an End Site below one. */
interface Scope {
  node: BvhNode;
  isEndSite: boolean;
  label: string;
  endName: string;
  offset: [number, number, number] | null;
  hasChannels: boolean;
  /** Offset of its first word, for messages. */
  at: number;
}

/**
 * Reads HIERARCHY and the two lines below MOTION. `text` ends after the frame time, or is the whole file when it has
 * no motion. Words are free of lines; only a joint's name ends with its line (or at its brace), so it may hold blanks.
 */
export function parseHeader(text: string, file: string): BvhHeader {
  return new HeaderReader(text, file).read();
}

/** Throws when the text cannot be the beginning of a BVH file: for a stream, before more of it is kept. */
export function checkStart(text: string, file: string): void {
  new HeaderReader(text, file).readStart();
}

class HeaderReader {
  private readonly text: string;
  private readonly file: string;
  private readonly notes: Note[] = [];
  private readonly roots: BvhNode[] = [];
  private readonly scopes: Scope[] = [];
  private jointCount = 0;
  /** Offset of the next character, and of the last word. */
  private at = 0;
  private wordAt = 0;

  constructor(text: string, file: string) {
    this.text = text;
    this.file = file;
  }

  read(): BvhHeader {
    this.readStart();
    const hasMotion = this.readHierarchy();
    if (this.roots.length === 0) this.fail('BVH_NO_ROOT', 'Expected a ROOT in the hierarchy, found none.', CUT_HINT);
    this.noteRoots();
    let declaredFrames = 0;
    let frameDuration = FALLBACK_FRAME_DURATION;
    if (hasMotion) {
      declaredFrames = this.readFrames();
      frameDuration = this.readFrameTime(declaredFrames);
    } else {
      this.note('BVH_NO_MOTION', 'warning', 'The file has no MOTION section: a skeleton with no frames.');
    }
    const { line = 1, column = 1 } = this.place(this.at);
    return { roots: this.roots, declaredFrames, frameDuration, end: this.at, line, column, notes: this.notes };
  }

  readStart(): void {
    const first = this.word();
    if (first === '') {
      throw new RigproofError(
        'BVH_EMPTY',
        'The file is empty; expected HIERARCHY.',
        { file: this.file },
        { hint: 'Export the clip again.' },
      );
    }
    const where = this.text.search(BINARY);
    if (where >= 0) {
      const code = this.text.charCodeAt(where);
      throw new RigproofError(
        'BVH_NOT_TEXT',
        `Expected text, got the byte or character ${code}: this is no BVH file.`,
        { file: this.file, ...this.place(where) },
        { hint: 'Check that the file is BVH and not another format under its name.' },
      );
    }
    if (first.toLowerCase() !== 'hierarchy') {
      this.fail('BVH_NOT_BVH', `Expected HIERARCHY, got ${quote(first)}.`, 'A BVH file begins with that word.');
    }
  }

  /** Returns whether MOTION follows. */
  private readHierarchy(): boolean {
    for (;;) {
      const word = this.word();
      const scope = this.scopes.at(-1);
      switch (word.toLowerCase()) {
        case 'root':
          if (scope) this.failUnclosed('ROOT');
          this.openJoint(null);
          break;
        case 'joint':
          if (!scope || scope.isEndSite) {
            this.fail('BVH_STRUCTURE', `Expected ${scope ? "'}' of the End Site" : 'ROOT'}, got JOINT.`, BRACE_HINT);
          }
          this.openJoint(scope!.node);
          break;
        case 'end':
          if (!scope || scope.isEndSite) this.fail('BVH_STRUCTURE', 'An End Site must stand in a joint.', BRACE_HINT);
          this.openEndSite(scope!.node);
          break;
        case 'offset':
          if (!scope) this.fail('BVH_STRUCTURE', 'OFFSET stands outside any joint.', BRACE_HINT);
          this.readOffset(scope!);
          break;
        case 'channels':
          if (!scope) this.fail('BVH_STRUCTURE', 'CHANNELS stands outside any joint.', BRACE_HINT);
          this.readChannels(scope!);
          break;
        case '}':
          if (!scope) this.fail('BVH_BRACES', "Unexpected '}': no joint is open.", BRACE_HINT);
          this.closeScope();
          break;
        case 'motion':
          if (scope) this.failUnclosed('MOTION');
          return true;
        case '':
          if (scope) this.failUnclosed('the end of the file');
          return false;
        default:
          if (scope?.hasChannels && CHANNEL_NAMES.has(word.toLowerCase())) {
            const count = scope.node.channels.length;
            this.fail(
              'BVH_CHANNEL_COUNT',
              `CHANNELS of ${scope.label} announces ${count}, but ${word} follows.`,
              'Mend the count or the list of channels.',
            );
          }
          this.fail(
            'BVH_STRUCTURE',
            `Expected ${scope ? "OFFSET, CHANNELS, JOINT, End Site or '}'" : 'ROOT or MOTION'}, got ${quote(word)}.`,
            BRACE_HINT,
          );
      }
    }
  }

  private openJoint(parent: BvhNode | null): void {
    const kind = parent ? 'JOINT' : 'ROOT';
    const at = this.wordAt;
    let name = this.name();
    if (name === '') {
      name = `#${this.jointCount}`;
      this.note('BVH_NO_NAME', 'warning', `A ${kind} has no name; it is called ${name}.`, this.place(at));
    }
    if (++this.jointCount > MAX_JOINTS) {
      this.fail('BVH_JOINT_COUNT', `The hierarchy has more than ${MAX_JOINTS} joints.`, 'No character needs as many.');
    }
    this.openBrace(`${kind} ${name}`);
    const node: BvhNode = {
      name,
      rotation: [0, 0, 0, 1],
      translation: [0, 0, 0],
      children: [],
      tips: [],
      channels: [],
    };
    (parent ? parent.children : this.roots).push(node);
    this.scopes.push({ node, isEndSite: false, label: name, endName: '', offset: null, hasChannels: false, at });
  }

  private openEndSite(node: BvhNode): void {
    const at = this.wordAt;
    const endName = this.name().replace(/^site\b\s*/i, '');
    const label = `the End Site of ${node.name}`;
    this.openBrace(label);
    this.scopes.push({ node, isEndSite: true, label, endName, offset: null, hasChannels: false, at });
  }

  private openBrace(label: string): void {
    const word = this.word();
    if (word !== '{') this.fail('BVH_BRACES', `Expected '{' after ${label}, got ${quote(word)}.`, BRACE_HINT);
  }

  private closeScope(): void {
    const scope = this.scopes.pop()!;
    if (!scope.offset) this.fail('BVH_OFFSET', `${scope.label} has no OFFSET.`, 'Every joint and End Site needs one.');
    if (scope.isEndSite) {
      const tip = { offset: scope.offset! };
      scope.node.tips.push(scope.endName === '' ? tip : { ...tip, name: scope.endName });
    } else {
      scope.node.translation = scope.offset!;
    }
  }

  private readOffset(scope: Scope): void {
    if (scope.offset) this.fail('BVH_OFFSET', `${scope.label} has two OFFSETs.`, 'Keep the right one.');
    const offset: [number, number, number] = [0, 0, 0];
    for (let k = 0; k < 3; k++) {
      const word = this.word();
      const value = parseNumberText(word);
      if (value === null || !Number.isFinite(Math.fround(value))) {
        this.fail('BVH_OFFSET', `OFFSET of ${scope.label}: expected 3 numbers, got ${quote(word)} as number ${k + 1}.`);
      }
      offset[k] = value!;
    }
    scope.offset = offset;
  }

  private readChannels(scope: Scope): void {
    const { node, label } = scope;
    if (scope.hasChannels) this.fail('BVH_CHANNEL_COUNT', `${label} has two CHANNELS lines.`, 'Keep the right one.');
    const countWord = this.word();
    if (!/^\d+$/.test(countWord)) {
      this.fail(
        'BVH_CHANNEL_COUNT',
        `CHANNELS of ${label}: expected how many there are, got ${quote(countWord)}.`,
        'Write the number of channels before their names.',
      );
    }
    const count = Number(countWord);
    if (scope.isEndSite && count > 0) {
      this.fail('BVH_CHANNEL_COUNT', `${label} has channels; an End Site cannot move.`, 'Make it a JOINT.');
    }
    for (let k = 0; k < count; k++) {
      const word = this.word();
      const channel = CHANNEL_NAMES.get(word.toLowerCase());
      if (!channel && KEYWORDS.has(word.toLowerCase())) {
        const got = word === '' ? 'the file ends' : `${quote(word)} follows`;
        this.fail(
          'BVH_CHANNEL_COUNT',
          `CHANNELS of ${label} announces ${countWord}, but after ${k} ${got}.`,
          'Mend the count or the list of channels.',
        );
      }
      if (!channel) this.fail('BVH_CHANNEL', `Unknown channel ${quote(word)} of ${label}.`, CHANNEL_HINT);
      if (channel!.endsWith('position') && node.channels.includes(channel!)) {
        this.fail('BVH_CHANNEL', `${label} has ${channel} twice.`, 'Keep one; only rotations may repeat.');
      }
      node.channels.push(channel!);
    }
    scope.hasChannels = true;
  }

  private readFrames(): number {
    const word = this.labelled(/\s*frames\s*:\s*(\S*)/iy, 'Frames:', 'BVH_FRAMES');
    const count = parseNumberText(word);
    if (count === null || count < 0 || !Number.isInteger(count)) {
      this.fail('BVH_FRAMES', `Frames: expected a whole number from 0 up, got ${quote(word)}.`);
    }
    return count!;
  }

  private readFrameTime(declaredFrames: number): number {
    const word = this.labelled(/\s*frame\s*time\s*:\s*(\S*)/iy, 'Frame Time:', 'BVH_FRAME_TIME');
    const seconds = parseNumberText(word);
    if (seconds === 0 && declaredFrames <= 1) {
      this.note('BVH_FRAME_TIME', 'info', 'Frame Time is 0; 1/30 s is used, as nothing moves in one frame.');
      return FALLBACK_FRAME_DURATION;
    }
    if (seconds === null || !(seconds > 0) || !Number.isFinite(seconds)) {
      const hint = 'Give the seconds a frame lasts: 0.033333 for 30 frames a second.';
      this.fail('BVH_FRAME_TIME', `Frame Time: expected seconds above 0, got ${quote(word)}.`, hint);
    }
    if (seconds! >= 1) {
      const message = `Frame Time is ${word} s a frame; where ${word} frames a second are meant, write 1/${word}.`;
      this.note('BVH_FRAME_TIME', 'warning', message, this.place(this.wordAt));
    }
    return seconds!;
  }

  /** The word after a label such as `Frames:`. */
  private labelled(pattern: RegExp, label: string, code: string): string {
    pattern.lastIndex = this.at;
    const match = pattern.exec(this.text);
    if (!match) {
      const word = this.word();
      const isCut = word === '';
      this.fail(
        isCut ? 'BVH_TRUNCATED' : code,
        `Expected '${label}', got ${quote(word)}.`,
        isCut ? CUT_HINT : undefined,
      );
    }
    this.at = pattern.lastIndex;
    this.wordAt = this.at - match![1]!.length;
    if (match![1] === '') this.fail('BVH_TRUNCATED', `Expected a number after '${label}', got nothing.`, CUT_HINT);
    return match![1]!;
  }

  /** The next word, or '' at the end. Braces are words of their own. */
  private word(): string {
    WORD.lastIndex = this.at;
    const match = WORD.exec(this.text);
    this.at = WORD.lastIndex || this.text.length;
    this.wordAt = this.at - (match?.[0].length ?? 0);
    return match?.[0] ?? '';
  }

  /** The rest of the line up to a brace, without blanks at either end. */
  private name(): string {
    NAME.lastIndex = this.at;
    const name = NAME.exec(this.text)![0];
    this.at = NAME.lastIndex;
    return name.trim();
  }

  private noteRoots(): void {
    if (this.roots.length < 2) return;
    const names = this.roots.map((root) => root.name).join(', ');
    this.note('BVH_ROOTS', 'info', `The file has ${this.roots.length} ROOTs (${names}): each is a take of its own.`);
  }

  private note(code: string, severity: Note['severity'], message: string, place: Place = {}): void {
    this.notes.push({ code, severity, message, place: { file: this.file, ...place } });
  }

  private place(at: number): Place {
    const before = this.text.slice(0, at).split(/\r\n|\r|\n/);
    return { line: before.length, column: before.at(-1)!.length + 1 };
  }

  private failUnclosed(got: string): never {
    const { label, at } = this.scopes.at(-1)!;
    const { line = 1 } = this.place(at);
    const isCut = this.at >= this.text.length && !/motion|root/i.test(got);
    return this.fail(
      isCut ? 'BVH_TRUNCATED' : 'BVH_BRACES',
      `Expected '}' of ${label} (opened on line ${line}), got ${got}.`,
      isCut ? CUT_HINT : BRACE_HINT,
    );
  }

  private fail(code: string, message: string, hint?: string): never {
    throw new RigproofError(code, message, { file: this.file, ...this.place(this.wordAt) }, { hint });
  }
}

const BRACE_HINT = "Every ROOT, JOINT and End Site has one '{' and one '}'.";
const WORD = /[{}]|[^\s{}]+/g;
const NAME = /[^\r\n{}]*/y;
/** Control characters that no text holds: all below the blank but tab, line ends and form feed. */
const BINARY = new RegExp(
  `[${String.fromCharCode(0)}-${String.fromCharCode(8)}${String.fromCharCode(14)}-${String.fromCharCode(31)}]`,
);

/** A word of the file as it can stand in a message. */
export function quote(word: string): string {
  if (word === '') return 'the end of the file';
  const short = word.length > 40 ? `${word.slice(0, 40)}…` : word;
  return `'${short.replace(/[^\x20-\x7e\u00a1-\uffff]/g, '?')}'`;
}
