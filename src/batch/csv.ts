import { roundNumber } from './records.ts';

/** A cell as RFC 4180 writes it: quoted where a comma, a quote or a line break stands in it. */
export function csvCell(value: string | number | null): string {
  if (value === null) return '';
  const text = typeof value === 'number' ? String(roundNumber('', value)) : value;
  // A cell that begins like a formula would be run as one by a spreadsheet.
  const safe = typeof value === 'string' && /^[=+\-@\t\r]/.test(text) ? `'${text}` : text;
  return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}
