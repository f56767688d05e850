/* Runs every code and every case through the generated C, and writes what came back.
 *
 * harness CASES RESULTS: both files binary, little-endian whatever the machine.
 * A case: which correction (1 byte), given (8), offset_ppt (4).
 * Results: per code from the least on lookup (4), offset_ppt (4), in_range (1); per case 8; the self-test 4.
 */
#include <stdio.h>

#include "${symbol}.h"

${corrected}

static int get(FILE *file, int bytes, uint64_t *bits)
{
    int place;

    *bits = 0u;
    for (place = 0; place < bytes; place++) {
        const int byte = fgetc(file);

        if (byte == EOF) {
            return 0;
        }
        *bits |= (uint64_t)byte << (8 * place);
    }
    return 1;
}

static void put(FILE *file, int bytes, uint64_t bits)
{
    int place;

    for (place = 0; place < bytes; place++) {
        (void)fputc((int)((bits >> (8 * place)) & 255u), file);
    }
}

int main(int count, char **names)
{
    FILE *cases;
    FILE *results;
    int32_t code;
    uint64_t which;
    uint64_t given;
    uint64_t offset;

    if (count != 3) {
        return 3;
    }
    cases = fopen(names[1], "rb");
    results = fopen(names[2], "wb");
    if (cases == NULL || results == NULL) {
        return 3;
    }
    for (code = ${least_code}; code <= ${largest_code}; code++) {
        put(results, 4, (uint64_t)${symbol}_lookup((${code_type})code));
        put(results, 4, (uint64_t)${symbol}_offset_ppt((${code_type})code));
        put(results, 1, (uint64_t)${symbol}_in_range((${code_type})code));
    }
    while (get(cases, 1, &which) && get(cases, 8, &given) && get(cases, 4, &offset)) {
        /* The 32 bits of an offset, widened with their sign. */
        const uint64_t widened = (offset ^ UINT64_C(0x80000000)) - UINT64_C(0x80000000);

        put(results, 8, corrected(which, given, (int32_t)signed_of(widened)));
    }
    put(results, 4, (uint64_t)${symbol}_selftest());
    (void)fclose(cases);
    return (fclose(results) == 0) ? 0 : 3;
}
