import { InvalidArgumentError, Option } from 'commander';
import type { ConvertOptions } from '../convert/convert.ts';
import { parsePositive } from './body-options.ts';

/** The flags of `motionOptions()`. */
export interface MotionFlags {
  handContact: boolean;
  enforceRanges?: boolean;
  allowStretch: number;
  poles?: boolean;
  repair?: boolean;
  lowPass?: number;
  from?: number;
  to?: number;
  mirror?: boolean;
  loop?: boolean;
  resample?: number;
}

/** What may be done to a motion on its way: filters first, limits, contacts. */
export function motionOptions(): Option[] {
  return [
    new Option('--no-hand-contact', 'do not keep hands on what they rest on: the body, each other, the floor'),
    new Option('--enforce-ranges', 'bring joints that leave the published ranges of motion back into them'),
    new Option('--allow-stretch <percent>', 'by how much a limb may grow to reach its target')
      .default(0)
      .argParser(parsePercent),
    new Option('--poles', 'place pole targets of the rig along knees and elbows'),
    new Option('--repair', 'make up for capture jumps and gaps'),
    new Option('--low-pass <Hz>', 'take out what is faster (common practice for bodies: 6 to 10)').argParser(
      parsePositive,
    ),
    new Option('--from <seconds>', 'start of the part that is used').argParser(parseTime),
    new Option('--to <seconds>', 'end of the part that is used').argParser(parseTime),
    new Option('--mirror', 'exchange left and right'),
    new Option('--loop', 'make the last frame the first one again'),
    new Option('--resample <rate>', 'frames a second of the result').argParser(parsePositive),
  ];
}

/** The part of the library's options that those flags are. */
export function motionSettings(flags: MotionFlags): Partial<ConvertOptions> {
  const { handContact, enforceRanges, allowStretch, poles, repair, lowPass, from, to, mirror, loop, resample } = flags;
  return {
    hands: handContact,
    enforceRanges: enforceRanges ?? false,
    allowStretch,
    poles: poles ?? false,
    filter: {
      repair: repair ?? false,
      lowPass: lowPass ?? null,
      trim: from === undefined && to === undefined ? null : { from, to },
      mirror: mirror ?? false,
      loop: loop ?? false,
      fps: resample ?? null,
    },
  };
}

function parsePercent(text: string): number {
  const value = Number(text.replace(/%$/, ''));
  if (!(value >= 0 && value <= 100)) throw new InvalidArgumentError('Expected a percentage from 0 to 100.');
  return value;
}

function parseTime(text: string): number {
  const value = Number(text);
  if (!(value >= 0 && Number.isFinite(value))) throw new InvalidArgumentError('Expected seconds, 0 or more.');
  return value;
}
