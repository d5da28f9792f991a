import { RigproofError } from '../../errors.ts';

/** What a Draco-compressed primitive holds once it is decoded. */
export interface DracoMesh {
  vertexCount: number;
  /** By the attribute names of glTF, as numbers, vertexCount × element size. */
  attributes: { [name: string]: Float64Array };
  /** Three a triangle. */
  indices: Uint32Array;
}

/** Decodes one primitive; made by `createDracoDecoder`. */
export interface DracoDecoder {
  /**
   * @param bytes       the compressed buffer view
   * @param attributes  glTF attribute name → Draco's unique id, from the extension
   * @throws RigproofError `GLTF_DRACO`
   */
  decode(bytes: Uint8Array, attributes: { [name: string]: number }): DracoMesh;
}

/**
 * Loads the WebAssembly decoder of the Draco library (the one for glTF). It has to be awaited; all decoding after that is
 * synchronous.
 * @param wasmBinary  bytes of `draco_decoder_gltf.wasm`, where the library cannot find them itself: in a browser
 */
export async function createDracoDecoder(wasmBinary?: ArrayBuffer): Promise<DracoDecoder> {
  const library = await import('draco3dgltf');
  const module = await library.default.createDecoderModule(wasmBinary ? { wasmBinary } : {});
  return {
    decode(bytes, attributes) {
      const decoder = new module.Decoder();
      const mesh = new module.Mesh();
      try {
        const status = decoder.DecodeArrayToMesh(bytes, bytes.length, mesh);
        if (!status.ok()) {
          throw new RigproofError(
            'GLTF_DRACO',
            `The compressed mesh cannot be decoded: ${status.error_msg()}`,
            {},
            { hint: 'The file is damaged: export the character again.' },
          );
        }
        const vertexCount = mesh.num_points();
        const decoded: { [name: string]: Float64Array } = {};
        for (const [name, id] of Object.entries(attributes)) {
          const attribute = decoder.GetAttributeByUniqueId(mesh, id);
          const length = vertexCount * attribute.num_components();
          const values = /^JOINTS_/.test(name) ? new module.DracoInt32Array() : new module.DracoFloat32Array();
          if (/^JOINTS_/.test(name)) decoder.GetAttributeInt32ForAllPoints(mesh, attribute, values);
          else decoder.GetAttributeFloatForAllPoints(mesh, attribute, values);
          const out = new Float64Array(length);
          for (let k = 0; k < length; k++) out[k] = values.GetValue(k);
          decoded[name] = out;
          module.destroy(values);
        }
        const indices = new Uint32Array(mesh.num_faces() * 3);
        const face = new module.DracoInt32Array();
        for (let f = 0; f < mesh.num_faces(); f++) {
          decoder.GetFaceFromMesh(mesh, f, face);
          for (let k = 0; k < 3; k++) indices[f * 3 + k] = face.GetValue(k);
        }
        module.destroy(face);
        return { vertexCount, attributes: decoded, indices };
      } finally {
        module.destroy(mesh);
        module.destroy(decoder);
      }
    },
  };
}
