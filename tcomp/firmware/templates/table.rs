// ${symbol}.rs
//
${title}
//
${origin}
// Do not edit: change the job and export again.
//
// Units and sign
//   Offset y = (f - f_nominal) / f_nominal. Positive: the oscillator is fast. 1 ppt = 1e-12.
${code_words}
//
// Example, in numbers of this table
${example}
//
// Range
${range}
//
// Table
${layout}
//
// Error budget
${budget}
//
// Integers of ${width} bits, no heap, no unsafe code, nothing of std. Every function is const. Test vectors are checked by
// the compiler.

/// First code of the range that was measured.
pub const LOW_CODE: ${code_type} = ${low_code};
/// Last code of the range that was measured.
pub const HIGH_CODE: ${code_type} = ${high_code};
/// Unit of the entries. [ppt]
pub const UNIT_PPT: i32 = ${unit_ppt};

/// The table itself, for whoever wants to check it; to read an offset call the functions.
#[rustfmt::skip]
pub const ENTRIES: &[i${entry_bits}; ${count}] = &[
${entries}
];

/// Predicted offset at this code, in units of `UNIT_PPT` ppt.
pub const fn lookup(code: ${code_type}) -> i${value_bits} {
${statements}
}

/// Predicted offset at this code. [ppt]
pub const fn offset_ppt(code: ${code_type}) -> i32 {
    ${offset} * UNIT_PPT
}

/// Whether the code lies in the range that was measured; else the nearest end's offset is returned.
#[allow(clippy::manual_range_contains, clippy::absurd_extreme_comparisons)]
pub const fn in_range(code: ${code_type}) -> bool {
    code >= LOW_CODE && code <= HIGH_CODE
}
