/* Runs calls of ${symbol}_proof_call, and writes what came back.
 *
 * harness CALLS RESULTS: both files binary, little-endian whatever the machine.
 * A call: which (2 bytes), code (2). A result: 4 bytes.
 */
#include <stdint.h>
#include <stdio.h>

int32_t ${symbol}_proof_call(uint16_t which, uint16_t bits);

int main(int count, char **names)
{
    unsigned char call[4];
    FILE *calls;
    FILE *results;

    if (count != 3) {
        return 3;
    }
    calls = fopen(names[1], "rb");
    results = fopen(names[2], "wb");
    if (calls == NULL || results == NULL) {
        return 3;
    }
    while (fread(call, 1u, sizeof call, calls) == sizeof call) {
        const uint16_t which = (uint16_t)(call[0] | ((unsigned int)call[1] << 8));
        const uint16_t bits = (uint16_t)(call[2] | ((unsigned int)call[3] << 8));
        const uint32_t answer = (uint32_t)${symbol}_proof_call(which, bits);
        int place;

        for (place = 0; place < 4; place++) {
            (void)fputc((int)((answer >> (8 * place)) & 255u), results);
        }
    }
    (void)fclose(calls);
    return (fclose(results) == 0) ? 0 : 3;
}
