/** A decimal number as BVH files write it: `-12.5`, `.5`, `+1`, `3.`, `-9.9e-17`. */
const NUMBER = /^[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?$/i;

/** The value of a number's text, equal to `parseFloat`; null when the text is no decimal number (`nan`, `1,5`, `0x1`). */
export function parseNumberText(text: string): number | null {
  return NUMBER.test(text) ? Number.parseFloat(text) : null;
}
