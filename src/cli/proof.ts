import { Option } from 'commander';
import { writeWholeFile } from '../formats/node.ts';
import type { Proof, ProofFigure, ProofOptions } from '../proof/measure.ts';
import { prove } from '../proof/prove.ts';
import { proofSheet, type SheetContext } from '../proof/report-html.ts';
import { formatProofJunit } from '../proof/report-junit.ts';

/** Flags of `proofOptions()`. */
export interface ProofFlags {
  sheet?: string;
  junit?: string;
}

export function proofOptions(): Option[] {
  return [
    new Option('--sheet <file>', 'write the proof sheet: one .html file with pictures, curves and remedies'),
    new Option('--junit <file>', 'write the proof as JUnit XML, for a build server'),
  ];
}

/**
 * Proves, and writes what the flags ask for.
 * @param context  called for a sheet only: an audit takes a second
 */
export async function runProof(
  target: ProofFigure,
  source: ProofFigure | undefined,
  name: string,
  context: () => SheetContext,
  flags: ProofFlags,
  options: ProofOptions = {},
): Promise<Proof> {
  const { proof, html } = flags.sheet
    ? proofSheet(target, source, options, context())
    : { proof: prove(target, source, options), html: '' };
  if (flags.sheet) await writeWholeFile(flags.sheet, html);
  if (flags.junit) await writeWholeFile(flags.junit, formatProofJunit(proof, name));
  return proof;
}
