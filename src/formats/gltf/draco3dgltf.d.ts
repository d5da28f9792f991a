/** The part of the Draco library that is used here; the package brings no types of its own. */
declare module 'draco3dgltf' {
  interface DracoArray {
    GetValue(index: number): number;
  }
  interface DracoAttribute {
    num_components(): number;
  }
  interface DracoMesh {
    num_points(): number;
    num_faces(): number;
  }
  interface DracoStatus {
    ok(): boolean;
    error_msg(): string;
  }
  interface DracoDecoder {
    DecodeArrayToMesh(bytes: Uint8Array, length: number, mesh: DracoMesh): DracoStatus;
    GetAttributeByUniqueId(mesh: DracoMesh, id: number): DracoAttribute;
    GetAttributeInt32ForAllPoints(mesh: DracoMesh, attribute: DracoAttribute, out: DracoArray): boolean;
    GetAttributeFloatForAllPoints(mesh: DracoMesh, attribute: DracoAttribute, out: DracoArray): boolean;
    GetFaceFromMesh(mesh: DracoMesh, face: number, out: DracoArray): boolean;
  }
  interface DracoModule {
    Decoder: new () => DracoDecoder;
    Mesh: new () => DracoMesh;
    DracoInt32Array: new () => DracoArray;
    DracoFloat32Array: new () => DracoArray;
    destroy(object: object): void;
  }
  const library: { createDecoderModule(options: { wasmBinary?: ArrayBuffer }): Promise<DracoModule> };
  export default library;
}
