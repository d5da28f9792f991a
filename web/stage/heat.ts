import { computed } from '@preact/signals';
import { receiver } from '../model/store.ts';
import { heat, litVertices, picked } from '../model/view.ts';

/** A value of 0 to 1 a vertex, one array a mesh; null where the character keeps its own colours. */
export const heatValues = computed<Float32Array[] | 'stretch' | null>(() => {
  const data = receiver.value;
  if (!data) return null;
  const marked = litVertices.value;
  if (marked) {
    return data.skins.map((skin) => {
      const values = new Float32Array(skin.vertexCount);
      if (skin.name === marked.mesh) for (const [first, last] of marked.runs) values.fill(1, first, last + 1);
      return values;
    });
  }
  if (heat.value === 'stretch') return 'stretch';
  if (heat.value === 'weight' && picked.value?.figure === 'target') {
    const { joint } = picked.value;
    return data.skins.map(({ vertexCount, influences, joints, weights }) => {
      const values = new Float32Array(vertexCount);
      for (let k = 0; k < joints.length; k++) {
        if (joints[k] === joint) values[Math.floor(k / influences)]! += weights[k]!;
      }
      return values;
    });
  }
  return null;
});
