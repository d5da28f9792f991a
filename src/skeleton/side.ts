/** The character's own left and right. */
export type Side = 'left' | 'right';
export const SIDES: readonly Side[] = ['left', 'right'];
