/* Runs every code and every case through the generated C of each table, and writes what came back.
 *
 * harness CASES RESULTS: both files binary, little-endian whatever the machine.
 * A case: which correction (1 byte), given (8), offset_ppt (4); those of the first table come first.
 * Results, table by table: per code from the least on lookup (4), offset_ppt (4), in_range (4); per case 8; the
 * self-test 4.
 */
#include <stdio.h>

${includes}

${signed_of}

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
    unsigned char text[8];
    int place;

    for (place = 0; place < bytes; place++) {
        text[place] = (unsigned char)((bits >> (8 * place)) & 255u);
    }
    (void)fwrite(text, 1u, (size_t)bytes, file);
}

${tables}

int main(int count, char **names)
{
    FILE *cases;
    FILE *results;

    if (count != 3) {
        return 3;
    }
    cases = fopen(names[1], "rb");
    results = fopen(names[2], "wb");
    if (cases == NULL || results == NULL) {
        return 3;
    }
${calls}
    (void)fclose(cases);
    return (fclose(results) == 0) ? 0 : 3;
}
