#include "table_store.h"

#include "gauge07.h"
#include "little_endian.h"

#define SEAL_PLACE  0u
#define IMAGE_PLACE BOARD_BLOCK_BYTES

/* The sequence number of a slot; 0: it was never sealed, or not to the end. */
static uint32_t sealed(uint8_t slot)
{
    uint8_t seal[BOARD_BLOCK_BYTES];
    uint32_t sequence;

    board_store_read(slot, SEAL_PLACE, seal, BOARD_BLOCK_BYTES);
    sequence = get_word(seal);
    return ((sequence ^ get_word(&seal[4])) == UINT32_C(0xFFFFFFFF)) ? sequence : 0u;
}

static void seal_slot(uint8_t slot, uint32_t sequence)
{
    uint8_t seal[BOARD_BLOCK_BYTES];

    put_word(seal, sequence);
    put_word(&seal[4], ~sequence);
    board_store_write(slot, SEAL_PLACE, seal);
}

/* 1: the slot holds a sound image, which is now in use. */
static int taken(struct table_store *store, uint8_t slot, uint32_t sequence)
{
    if (sequence == 0u) {
        return 0;
    }
    board_store_read(slot, IMAGE_PLACE, store->bytes, TABLE_STORE_IMAGE_BYTES);
    if (gauge07_image_open(&store->image, store->bytes, TABLE_STORE_IMAGE_BYTES) != 0) {
        return 0;
    }
    store->sequence = sequence;
    store->slot = slot;
    return 1;
}

void table_store_open(struct table_store *store)
{
    const uint32_t sequence[BOARD_TABLE_AREAS] = {sealed(0u), sealed(1u)};
    const uint8_t newer = (sequence[1] > sequence[0]) ? 1u : 0u;
    const uint8_t older = (uint8_t)(1u - newer);

    if ((taken(store, newer, sequence[newer]) == 0) && (taken(store, older, sequence[older]) == 0)) {
        store->sequence = 0u;
        store->slot = older;
    }
}

static void write_image(uint8_t slot, const uint8_t *image, uint16_t length)
{
    uint16_t place;
    uint8_t along;

    for (place = 0u; place < length; place = (uint16_t)(place + BOARD_BLOCK_BYTES)) {
        uint8_t block[BOARD_BLOCK_BYTES];

        for (along = 0u; along < BOARD_BLOCK_BYTES; along++) {
            block[along] = ((place + along) < length) ? image[place + along] : 0xFFu;
        }
        board_store_write(slot, (uint16_t)(IMAGE_PLACE + place), block);
    }
}

int table_store_update(struct table_store *store, const uint8_t *image, uint16_t length)
{
    const uint32_t sequence = store->sequence + 1u;
    const uint8_t slot = (uint8_t)(1u - store->slot);
    int reason = TABLE_STORE_TOO_LONG;

    if (length <= TABLE_STORE_IMAGE_BYTES) {
        reason = gauge07_image_open(&store->image, image, length);
    }
    if (reason == 0) {
        board_store_erase(slot);
        write_image(slot, image, length);
        seal_slot(slot, sequence);
    }
    /* As after any start: what was written counts only if it is read back sound. */
    table_store_open(store);
    if ((reason == 0) && ((store->sequence != sequence) || (store->slot != slot))) {
        reason = TABLE_STORE_NOT_WRITTEN;
    }
    return reason;
}

int32_t table_store_offset_ppt(const struct table_store *store, int16_t code)
{
    return (store->sequence == 0u) ? gauge07_offset_ppt(code) : gauge07_image_offset_ppt(&store->image, code);
}

int table_store_in_range(const struct table_store *store, int16_t code)
{
    return (store->sequence == 0u) ? gauge07_in_range(code) : gauge07_image_in_range(&store->image, code);
}

uint32_t table_store_mark(const struct table_store *store)
{
    uint32_t mark = 0u;
    int32_t code;

    /* Every 64th code is enough to tell curves apart; the factor is a prime, so that places count. */
    for (code = INT16_MIN; code <= INT16_MAX; code += 64) {
        mark = mark * UINT32_C(16777619) + (uint32_t)table_store_offset_ppt(store, (int16_t)code);
    }
    return mark;
}
