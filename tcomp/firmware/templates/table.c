/* ${symbol}.c
 *
${origin}
 * Do not edit. What it does and in which units: ${symbol}.h.
 */
#include "${symbol}.h"

/* Each line begins with the code of its first entry. */
const int${entry_bits}_t ${symbol}_entries[${upper}_ENTRIES] = {
${entries}
};

/* Codes since the first that reads entry 0; a code outside the range is held at its nearest end. */
static uint32_t ${symbol}_along(${code_type} code)
{
    int32_t held = code;

    if (held < ${upper}_LOW_CODE) {
        held = ${upper}_LOW_CODE;
    } else if (held > ${upper}_HIGH_CODE) {
        held = ${upper}_HIGH_CODE;
    } else {
        /* Inside: as it is. */
    }
    return (uint32_t)(held - (${origin_code}));
}

