/**
 * AssemblyScript: numbers that loops over pairs of Float64 read. Read before a loop, a constant stays in a register. Written
 * into the code it is made anew in every round, by three or four instructions each: gathering took half as long again.
 */
export const CONSTANTS: usize = memory.data<f64>([-0.0, 0.5, 1, 1.5, 1e-6, 32767, 6755399441055744]);
// Their places, in bytes.
export const NEGATIVE: usize = 0;
export const HALF: usize = 8;
export const ONE: usize = 16;
export const ONE_AND_HALF: usize = 24;
export const NEAR: usize = 32;
export const LARGEST_SHORT: usize = 40;
/** 1.5 · 2⁵²: an integer that is added to it stands in the lower 32 bits. */
export const SHIFT: usize = 48;
