/* What a program is asked of the filter: 0 starts it at a code, 1 is an update, 2 so many updates without a code,
 * 3 asks for the fine code, 4 for the lookup between codes. */
#include "${symbol}_follow.h"

int32_t ${symbol}_proof_call(uint16_t which, uint16_t bits);

int32_t ${symbol}_proof_call(uint16_t which, uint16_t bits)
{
    static ${symbol}_follow_t state;
    const ${code_type} code = (${code_type})${code};

    switch (which) {
    case 0u:
        ${symbol}_follow_start(&state, code);
        return 0;
    case 1u:
        return ${symbol}_follow_offset_ppt(&state, code);
    case 2u:
        return ${symbol}_follow_missed_ppt(&state, bits);
    case 3u:
        return ${symbol}_follow_fine_code(&state);
    default:
        return ${between};
    }
}
