/** The part of Khronos' validator that the tests use; the package ships no types. */
declare module 'gltf-validator' {
  export interface Issue {
    code: string;
    message: string;
    /** 0 error, 1 warning, 2 information, 3 hint. */
    severity: number;
    pointer?: string;
  }
  export interface Report {
    issues: { numErrors: number; numWarnings: number; messages: Issue[]; truncated: boolean };
  }
  export function validateBytes(
    data: Uint8Array,
    options?: { maxIssues?: number; externalResourceFunction?: (uri: string) => Promise<Uint8Array> },
  ): Promise<Report>;
}
