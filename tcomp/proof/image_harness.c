/* Reads an image, looks up every code, and counts the damaged images that the reader would take.
 *
 * harness IMAGE RESULTS: both files binary, the results little-endian whatever the machine.
 * Results: what open returned (4); per code from the least on lookup (4), offset_ppt (4), in_range (1);
 * of the images with one bit turned, those that open took (4).
 */
#include <stdio.h>

#include "${symbol}_image.h"

#define LONGEST 300000

static uint8_t bytes[LONGEST];

static void put(FILE *file, int count, uint32_t bits)
{
    int place;

    for (place = 0; place < count; place++) {
        (void)fputc((int)((bits >> (8 * place)) & 255u), file);
    }
}

int main(int count, char **names)
{
    FILE *given;
    FILE *results;
    struct ${symbol}_image image;
    struct ${symbol}_image damaged;
    uint32_t length;
    uint32_t bit;
    uint32_t taken = 0u;
    int32_t code;
    int opened;

    if (count != 3) {
        return 3;
    }
    given = fopen(names[1], "rb");
    results = fopen(names[2], "wb");
    if (given == NULL || results == NULL) {
        return 3;
    }
    length = (uint32_t)fread(bytes, 1u, LONGEST, given);
    opened = ${symbol}_image_open(&image, bytes, length);
    put(results, 4, (uint32_t)opened);
    for (code = ${least_code}; (opened == 0) && (code <= ${largest_code}); code++) {
        put(results, 4, (uint32_t)${symbol}_image_lookup(&image, (${code_type})code));
        put(results, 4, (uint32_t)${symbol}_image_offset_ppt(&image, (${code_type})code));
        put(results, 1, (uint32_t)${symbol}_image_in_range(&image, (${code_type})code));
    }
    for (bit = 0u; bit < ((length < ${flipped_bytes}u) ? length : ${flipped_bytes}u) * 8u; bit++) {
        bytes[bit / 8u] = (uint8_t)(bytes[bit / 8u] ^ (1u << (bit % 8u)));
        if (${symbol}_image_open(&damaged, bytes, length) == 0) {
            taken += 1u;
        }
        bytes[bit / 8u] = (uint8_t)(bytes[bit / 8u] ^ (1u << (bit % 8u)));
    }
    put(results, 4, taken);
    (void)fclose(given);
    return (fclose(results) == 0) ? 0 : 3;
}
