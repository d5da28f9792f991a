/** AssemblyScript: functions of the host's `Math`, so that a kernel and its reference get the same bits. */
export declare function acos(x: f64): f64;
export declare function atan2(y: f64, x: f64): f64;
export declare function cos(x: f64): f64;
export declare function exp(x: f64): f64;
export declare function sin(x: f64): f64;
