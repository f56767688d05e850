/* ${symbol}.c
 *
${origin}
 * Do not edit. What it does and in which units: ${symbol}.h.
 */
#include "${symbol}.h"

/* Each line begins with the ${place_words} of its first entry. */
const int${entry_bits}_t ${symbol}_entries[${upper}_ENTRIES] ${upper}_MEMORY = {
${entries}
};

