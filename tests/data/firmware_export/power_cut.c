/* Cuts the power at each byte while the example of firmware_export writes a table or a base; what is found afterwards.
 *
 * power_cut FIRST SECOND NEW NEXT: images. A line for each trial:
 *   table KIND TEAR STORED CUT sequence offset | offset after NEXT was stored too
 *   roll  KIND TEAR 2      CUT the same, of a roll back
 *   base  KIND TEAR 0      CUT found    base   | base after another one was stored too
 * and at the end one without a cut, on a cell that cannot be written:
 *   stuck reason sequence offset
 * KIND: 0 EEPROM (a byte is erased as it is written), 1 flash (a page is erased, then bits are cleared). TEAR, what the
 * byte at the cut is left as: 0 untouched, 1 erased, 2 bits from neither. STORED: tables that were stored before (of
 * FIRST, SECOND). CUT: bytes that still came through. The trials of a kind end with the one that was not cut.
 */
#include "board.h"
#include "table_store.h"
#include "trim.h"

#include <setjmp.h>
#include <stdio.h>
#include <string.h>

#define CODE    319
#define ENDLESS 1000000L

static uint8_t memory[3][BOARD_AREA_BYTES];
static int kind;
static int tear;
static long left;
static const uint8_t *stuck;
static jmp_buf power_fails;

static void change(uint8_t *byte, uint8_t to)
{
    if (left == 0) {
        if (tear == 1) {
            *byte = 0xFFu;
        } else if (tear == 2) {
            *byte = (uint8_t)(to ^ 0x5Au);
        }
        longjmp(power_fails, 1);
    }
    left--;
    if (byte != stuck) {
        *byte = to;
    }
}

void board_store_read(uint8_t area, uint16_t place, uint8_t *bytes, uint16_t count)
{
    memcpy(bytes, &memory[area][place], count);
}

void board_store_erase(uint8_t area)
{
    uint16_t place;

    for (place = 0u; kind == 1 && place < BOARD_AREA_BYTES; place++) {
        change(&memory[area][place], 0xFFu);
    }
}

void board_store_write(uint8_t area, uint16_t place, const uint8_t *block)
{
    uint8_t along;

    for (along = 0u; along < BOARD_BLOCK_BYTES; along++) {
        uint8_t *const byte = &memory[area][place + along];

        change(byte, (kind == 1) ? (uint8_t)(*byte & block[along]) : block[along]);
    }
}

struct image {
    uint8_t bytes[1024];
    uint16_t length;
};

static struct image images[4];
static struct table_store store;

static int update(const struct image *image)
{
    return table_store_update(&store, image->bytes, image->length, 0);
}

static void set_up(int stored)
{
    int number;

    left = ENDLESS;
    memset(memory, 0xFF, sizeof memory);
    table_store_open(&store);
    for (number = 0; number < stored; number++) {
        (void)update(&images[number]);
    }
}

static int table_cut(int stored, long cut)
{
    volatile int whole = 0;

    set_up(stored);
    left = cut;
    if (setjmp(power_fails) == 0) {
        (void)update(&images[2]);
        whole = 1;
    }
    left = ENDLESS;
    memset(&store, 0xA5, sizeof store);
    table_store_open(&store);
    printf("table %d %d %d %ld %lu %ld", kind, tear, stored, cut, (unsigned long)store.sequence,
           (long)table_store_offset_ppt(&store, CODE));
    printf(" %d", update(&images[3]));
    memset(&store, 0xA5, sizeof store);
    table_store_open(&store);
    printf(" %ld\n", (long)table_store_offset_ppt(&store, CODE));
    return whole;
}

static int roll_cut(long cut)
{
    volatile int whole = 0;

    set_up(2);
    left = cut;
    if (setjmp(power_fails) == 0) {
        (void)table_store_roll_back(&store);
        whole = 1;
    }
    left = ENDLESS;
    memset(&store, 0xA5, sizeof store);
    table_store_open(&store);
    printf("roll %d %d 2 %ld %lu %ld", kind, tear, cut, (unsigned long)store.sequence,
           (long)table_store_offset_ppt(&store, CODE));
    printf(" %d", update(&images[3]));
    memset(&store, 0xA5, sizeof store);
    table_store_open(&store);
    printf(" %ld\n", (long)table_store_offset_ppt(&store, CODE));
    return whole;
}

static int base_cut(long cut)
{
    volatile int whole = 0;
    int32_t base_ppt = 0;
    int found;

    set_up(0);
    trim_write(7u, -50000);
    left = cut;
    if (setjmp(power_fails) == 0) {
        trim_write(7u, 123456789);
        whole = 1;
    }
    left = ENDLESS;
    found = trim_read(7u, &base_ppt);
    printf("base %d %d 0 %ld %d %ld", kind, tear, cut, found, (long)base_ppt);
    trim_write(7u, 42);
    found = trim_read(7u, &base_ppt);
    printf(" %d %ld\n", found, (long)base_ppt);
    return whole;
}

static void store_on_a_stuck_cell(void)
{
    int reason;

    set_up(2);
    stuck = &memory[0][100];
    reason = update(&images[2]);
    printf("stuck %d %lu %ld\n", reason, (unsigned long)store.sequence, (long)table_store_offset_ppt(&store, CODE));
}

int main(int count, char **words)
{
    int number;
    int stored;
    long cut;

    for (number = 0; number < 4 && number + 1 < count; number++) {
        FILE *const file = fopen(words[number + 1], "rb");

        if (file == NULL) {
            return 3;
        }
        images[number].length = (uint16_t)fread(images[number].bytes, 1u, sizeof images[number].bytes, file);
        (void)fclose(file);
    }
    for (number = 0; number < 6; number++) {
        kind = number / 3;
        tear = number % 3;
        for (stored = 0; stored <= 2; stored++) {
            cut = 0;
            while (table_cut(stored, cut) == 0) {
                cut++;
            }
        }
        cut = 0;
        while (roll_cut(cut) == 0) {
            cut++;
        }
        cut = 0;
        while (base_cut(cut) == 0) {
            cut++;
        }
    }
    store_on_a_stuck_cell();
    return 0;
}
