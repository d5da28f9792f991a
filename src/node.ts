/**
 * Opening and writing files, for Node only; what is done with them is in the portable library, `rigproof`.
 *
 * @packageDocumentation
 */
export { filesOf, type OpenedFile, type OutputFile, openFile, readOutput, writeOutput } from './convert/node.ts';
export { readBvhFile } from './formats/bvh/node.ts';
export { readContainerFile } from './formats/gltf/node.ts';
export { fileKindOf, writeWholeFile } from './formats/node.ts';
