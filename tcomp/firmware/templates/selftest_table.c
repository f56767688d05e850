/* ${symbol}_selftest.c
 *
${origin}
 * Do not edit. Run it on the target: it finds a damaged table, and a compiler that departs from C99.
 *
${numbering}
 */
#include "${include}.h"

/* On AVR the vectors stay in flash, and are fetched number by number. */
#if defined(__AVR__)
#include <avr/pgmspace.h>
#define ${upper}_VECTORS PROGMEM
#define ${upper}_FETCH(number, stored) ((void)memcpy_P(&(number), &(stored), sizeof (number)))
#else
#define ${upper}_VECTORS
#define ${upper}_FETCH(number, stored) ((number) = (stored))
#endif

struct ${symbol}_lookup_vector {
    int32_t offset_ppt;
    int${value_bits}_t entry;
    ${code_type} code;
    int16_t in_range;
};

static const struct ${symbol}_lookup_vector ${symbol}_lookup_vectors[${lookup_count}] ${upper}_VECTORS = {
    /* offset_ppt, entry, code, in_range */
${lookup_vectors}
};

static uint32_t ${symbol}_crc32(void)
{
    uint32_t crc = UINT32_C(0xFFFFFFFF);
    uint32_t place;
    uint32_t byte;
    uint32_t bit;

    for (place = 0u; place < ${upper}_ENTRIES; place++) {
        const uint32_t entry = (uint32_t)${upper}_READ(${symbol}_entries, place);

        for (byte = 0u; byte < ${entry_bytes}u; byte++) {
            crc ^= (entry >> (8u * byte)) & UINT32_C(0xFF);
            for (bit = 0u; bit < 8u; bit++) {
                crc = (crc >> 1u) ^ (((crc & 1u) != 0u) ? UINT32_C(0xEDB88320) : UINT32_C(0));
            }
        }
    }
    return crc ^ UINT32_C(0xFFFFFFFF);
}

static int ${symbol}_wrong_lookup(void)
{
    struct ${symbol}_lookup_vector vector;
    int place;

    for (place = 0; place < ${lookup_count}; place++) {
        ${upper}_FETCH(vector.offset_ppt, ${symbol}_lookup_vectors[place].offset_ppt);
        ${upper}_FETCH(vector.entry, ${symbol}_lookup_vectors[place].entry);
        ${upper}_FETCH(vector.code, ${symbol}_lookup_vectors[place].code);
        ${upper}_FETCH(vector.in_range, ${symbol}_lookup_vectors[place].in_range);
        if ((${symbol}_lookup(vector.code) != vector.entry)
            || (${symbol}_offset_ppt(vector.code) != vector.offset_ppt)
            || (${symbol}_in_range(vector.code) != vector.in_range)) {
            return place + 1;
        }
    }
    return 0;
}
