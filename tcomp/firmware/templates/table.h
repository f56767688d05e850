/* ${symbol}.h
 *
${title}
 *
${origin}
 * Do not edit: change the job and export again.
 *
 * Units and sign
 *   Offset y = (f - f_nominal) / f_nominal. Positive: the oscillator is fast. 1 ppt = 1e-12.
${code_words}
 *
 * Example, in numbers of this table
${example}
 *
 * Range
${range}
 *
 * Table
${layout}
 *   CRC-32 of the entries (ISO-HDLC; each entry as ${entry_bytes} bytes, the low one first): ${crc32}
 *
 * Error budget
${budget}
 *
 * Integers only, no heap, no division; where a processor has no multiplication that wide, the compiler's
 * library may multiply. Every function is pure: call it from where you like.
 */
#ifndef ${upper}_H
#define ${upper}_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define ${upper}_LOW_CODE  (${low_code})
#define ${upper}_HIGH_CODE (${high_code})
#define ${upper}_UNIT_PPT  (${unit_ppt})
#define ${upper}_ENTRIES   (${count}u)

${memory}

/* The entries themselves, for whoever wants to check them; to read an offset call the functions. */
extern const int${entry_bits}_t ${symbol}_entries[${upper}_ENTRIES];

/* Predicted offset at this code, in units of ${upper}_UNIT_PPT ppt: the smallest and fastest form. */
int${value_bits}_t ${symbol}_lookup(${code_type} code);

/* Predicted offset at this code. [ppt] */
int32_t ${symbol}_offset_ppt(${code_type} code);

/* 1: the code lies in the range that was measured. 0: the nearest end's offset is returned. */
int ${symbol}_in_range(${code_type} code);
${corrections}
/* In ${symbol}_selftest.c. 0: all is well; else the number of the first test vector that failed. */
int ${symbol}_selftest(void);

#ifdef __cplusplus
}
#endif

#endif
