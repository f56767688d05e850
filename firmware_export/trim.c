#include "trim.h"

#include "board.h"
#include "little_endian.h"

static int32_t held(int64_t value)
{
    if (value > INT32_MAX) {
        return INT32_MAX;
    }
    return (value < INT32_MIN) ? INT32_MIN : (int32_t)value;
}

int32_t trim_sum_ppt(int32_t a_ppt, int32_t b_ppt)
{
    return held((int64_t)a_ppt + b_ppt);
}

int32_t trim_base_ppt(int32_t measured_ppt, int32_t predicted_ppt)
{
    return held((int64_t)measured_ppt - predicted_ppt);
}

int trim_read(uint32_t mark, int32_t *base_ppt)
{
    uint8_t record[2u * BOARD_BLOCK_BYTES];
    uint8_t place;

    *base_ppt = 0;
    board_store_read(BOARD_TRIM_AREA, 0u, record, sizeof record);
    for (place = 0u; place < BOARD_BLOCK_BYTES; place++) {
        if ((record[place] ^ record[BOARD_BLOCK_BYTES + place]) != 0xFFu) {
            return 0;
        }
    }
    if (get_word(&record[4]) != mark) {
        return 0;
    }
    *base_ppt = get_signed(record);
    return 1;
}

void trim_write(uint32_t mark, int32_t base_ppt)
{
    uint8_t block[BOARD_BLOCK_BYTES];
    uint8_t place;

    for (place = 8u; place < BOARD_BLOCK_BYTES; place++) {
        block[place] = 0u;
    }
    put_word(block, (uint32_t)base_ppt);
    put_word(&block[4], mark);
    board_store_erase(BOARD_TRIM_AREA);
    board_store_write(BOARD_TRIM_AREA, 0u, block);
    for (place = 0u; place < BOARD_BLOCK_BYTES; place++) {
        block[place] ^= 0xFFu;
    }
    board_store_write(BOARD_TRIM_AREA, BOARD_BLOCK_BYTES, block);
}
