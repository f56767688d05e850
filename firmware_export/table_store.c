#include "table_store.h"

#include "gauge07.h"
#include "gauge07_follow.h"
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

static void seal_slot(uint8_t slot, uint32_t sequence, uint32_t complement)
{
    uint8_t seal[BOARD_BLOCK_BYTES];
    uint8_t place;

    for (place = 8u; place < BOARD_BLOCK_BYTES; place++) {
        seal[place] = 0xFFu;
    }
    put_word(seal, sequence);
    put_word(&seal[4], complement);
    board_store_write(slot, SEAL_PLACE, seal);
}

/* 0 where the image is sound and this unit's, and no older than asked. */
static int opened(struct table_store *store, uint8_t slot, const uint8_t *image, uint16_t length, uint32_t least_build)
{
    struct gauge07_unit unit = gauge07_image_unit;

    unit.least_build = least_build;
    return gauge07_image_open(&store->image[slot], image, length, &unit);
}

/* 1: the slot holds a sound image, which is now in use. */
static int taken(struct table_store *store, uint8_t slot, uint32_t sequence)
{
    if (sequence == 0u) {
        return 0;
    }
    board_store_read(slot, IMAGE_PLACE, store->bytes[slot], TABLE_STORE_IMAGE_BYTES);
    if (opened(store, slot, store->bytes[slot], TABLE_STORE_IMAGE_BYTES, 0u) != 0) {
        return 0;
    }
    store->sequence = sequence;
    store->slot = slot;
    store->in_use = slot;
    return 1;
}

void table_store_open(struct table_store *store)
{
    const uint32_t sequence[BOARD_TABLE_AREAS] = {sealed(0u), sealed(1u)};
    const uint8_t newer = (sequence[1] > sequence[0]) ? 1u : 0u;
    const uint8_t older = (uint8_t)(1u - newer);

    store->in_use = BOARD_TABLE_AREAS;
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

/* Of the table in use. */
static uint32_t build(const struct table_store *store)
{
    return (store->in_use < BOARD_TABLE_AREAS) ? store->image[store->in_use].build : gauge07_image_unit.least_build;
}

int table_store_update(struct table_store *store, const uint8_t *image, uint16_t length, int older_too)
{
    const uint32_t sequence = store->sequence + 1u;
    const uint8_t slot = (uint8_t)(1u - store->slot);
    int reason = TABLE_STORE_TOO_LONG;

    if (length <= TABLE_STORE_IMAGE_BYTES) {
        reason = opened(store, slot, image, length, (older_too != 0) ? 0u : build(store));
    }
    if (reason == 0) {
        board_store_erase(slot);
        write_image(slot, image, length);
        seal_slot(slot, sequence, ~sequence);
        /* As after any start: what was written counts only if it is read back sound. */
        if (taken(store, slot, sealed(slot)) == 0) {
            reason = TABLE_STORE_NOT_WRITTEN;
        }
    }
    return reason;
}

int table_store_roll_back(struct table_store *store)
{
    const uint8_t newer = store->slot;
    const uint8_t older = (uint8_t)(1u - newer);

    if ((store->in_use >= BOARD_TABLE_AREAS) || (taken(store, older, sealed(older)) == 0)) {
        return TABLE_STORE_NO_OLDER;
    }
    board_store_erase(newer);
    /* Where nothing is erased before, the seal is spoilt by this. */
    seal_slot(newer, 0u, 0u);
    return 0;
}

int32_t table_store_offset_ppt(const struct table_store *store, int16_t code)
{
    const uint8_t used = store->in_use;

    return (used < BOARD_TABLE_AREAS) ? gauge07_image_offset_ppt(&store->image[used], code) : gauge07_offset_ppt(code);
}

int32_t table_store_followed_ppt(const struct table_store *store, gauge07_follow_t *follow, int16_t code)
{
    const int32_t own_ppt = gauge07_follow_offset_ppt(follow, code);
    /* From the least code on, so that nothing negative is divided. */
    const uint32_t along = (uint32_t)(gauge07_follow_fine_code(follow) - ((int32_t)INT16_MIN * GAUGE07_FINE_PER_CODE));
    const int32_t below = (int32_t)(along / GAUGE07_FINE_PER_CODE) + INT16_MIN;
    const int32_t part = (int32_t)(along % GAUGE07_FINE_PER_CODE);
    int32_t below_ppt;
    int32_t above_ppt;

    if (store->in_use >= BOARD_TABLE_AREAS) {
        return own_ppt;
    }
    /* The filter knows the table that was compiled in. In another one, a straight line between two codes. */
    below_ppt = table_store_offset_ppt(store, (int16_t)below);
    above_ppt = table_store_offset_ppt(store, (int16_t)(below + ((part != 0) ? 1 : 0)));
    return below_ppt + (int32_t)(((int64_t)above_ppt - below_ppt) * part / GAUGE07_FINE_PER_CODE);
}

int table_store_in_range(const struct table_store *store, int16_t code)
{
    const uint8_t used = store->in_use;

    return (used < BOARD_TABLE_AREAS) ? gauge07_image_in_range(&store->image[used], code) : gauge07_in_range(code);
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
