/* Runs on an emulated processor without an operating system: every code and every case, into its memory.
 *
 * The emulator writes the cases where they are read here, calls _start, and reads what came back.
 */
#include "${symbol}.h"

uint8_t ${symbol}_proof_which[${cases}];
uint64_t ${symbol}_proof_given[${cases}];
int32_t ${symbol}_proof_case_offset[${cases}];
uint64_t ${symbol}_proof_corrected[${cases}];
int32_t ${symbol}_proof_lookup[65536];
int32_t ${symbol}_proof_offset_ppt[65536];
int8_t ${symbol}_proof_in_range[65536];

${corrected}

int _start(void);

int _start(void)
{
    int32_t code;
    uint32_t place;

    for (code = ${least_code}; code <= ${largest_code}; code++) {
        place = (uint32_t)(code - (${least_code}));
        ${symbol}_proof_lookup[place] = ${symbol}_lookup((${code_type})code);
        ${symbol}_proof_offset_ppt[place] = ${symbol}_offset_ppt((${code_type})code);
        ${symbol}_proof_in_range[place] = (int8_t)${symbol}_in_range((${code_type})code);
    }
    for (place = 0u; place < ${cases}u; place++) {
        ${symbol}_proof_corrected[place] = corrected(${symbol}_proof_which[place], ${symbol}_proof_given[place],
                                                     ${symbol}_proof_case_offset[place]);
    }
    return ${symbol}_selftest();
}
