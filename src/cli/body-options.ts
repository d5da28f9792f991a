import { InvalidArgumentError, Option } from 'commander';

/** `+Y`, `-z`, `x` → the unit vector of that axis. */
export function parseAxis(text: string): [number, number, number] {
  const match = /^([+-]?)([xyz])$/i.exec(text);
  if (!match) throw new InvalidArgumentError('Expected an axis: +X, -X, +Y, -Y, +Z or -Z.');
  const axis: [number, number, number] = [0, 0, 0];
  axis['xyz'.indexOf(match[2]!.toLowerCase())] = match[1] === '-' ? -1 : 1;
  return axis;
}

const UNITS: { [name: string]: number } = { m: 1, cm: 0.01, mm: 0.001, in: 0.0254, inch: 0.0254, ft: 0.3048 };

/** `cm`, `in`, `0.056` → metres a unit. */
export function parseUnit(text: string): number {
  const metres = UNITS[text.toLowerCase()] ?? Number(text);
  if (!(metres > 0 && Number.isFinite(metres))) {
    throw new InvalidArgumentError(`Expected ${Object.keys(UNITS).join(', ')} or the length of a unit in metres.`);
  }
  return metres;
}

export function parsePositive(text: string): number {
  const value = Number(text);
  if (!(value > 0 && Number.isFinite(value))) throw new InvalidArgumentError('Expected a number above 0.');
  return value;
}

/** What geometry may leave open, to be said by hand. `prefix` is `source-` or `target-` where there are two figures. */
export function frameOptions(prefix = '', whose = ''): Option[] {
  const of = whose ? ` of the ${whose}` : '';
  return [
    new Option(`--${prefix}up <axis>`, `up direction${of} in its file, for instance +Z`).argParser(parseAxis),
    new Option(`--${prefix}facing <axis>`, `facing${of} in its file, for instance -Y`).argParser(parseAxis),
    new Option(`--${prefix}unit <length>`, `unit of length${of}: m, cm, mm, in, ft or metres`).argParser(parseUnit),
  ];
}
