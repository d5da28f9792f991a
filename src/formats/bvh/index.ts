export type { BvhChannel, BvhFile, BvhTake } from './bvh-file.ts';
export { type FrameRate, inferFrameRate } from './frame-rate.ts';
export { type BvhFrame, type BvhReader, type BvhReaderOptions, createBvhReader, parseBvh } from './reader.ts';
export { type BvhWriteOptions, writeBvh } from './writer.ts';
