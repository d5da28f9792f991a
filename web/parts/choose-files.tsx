import type { ComponentChildren } from 'preact';
import { useRef } from 'preact/hooks';
import { takeFileList } from '../model/files.ts';

/** A button that asks for files. */
export function ChooseFiles({ children, class: look }: { children: ComponentChildren; class?: string }) {
  const input = useRef<HTMLInputElement>(null);
  return (
    <>
      <button type="button" class={look} onClick={() => input.current?.click()}>
        {children}
      </button>
      <input
        ref={input}
        type="file"
        multiple
        hidden
        accept=".bvh,.glb,.gltf,.vrm,.bin"
        aria-label="Clips and characters"
        onChange={({ currentTarget }) => {
          void takeFileList(currentTarget.files ?? []);
          currentTarget.value = '';
        }}
      />
    </>
  );
}
