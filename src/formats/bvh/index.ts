export type { BvhChannel, BvhFile, BvhFrame, BvhReaderOptions, BvhTake } from './bvh-file.ts';
export { type FrameRate, inferFrameRate } from './frame-rate.ts';
export { type BvhReader, createBvhReader, parseBvh } from './reader.ts';
export { type BvhWriteOptions, writeBvh } from './writer.ts';
