/* table_store.h
 *
 * A table that can be replaced without a new program: two slots, of which the newest sound one is used.
 *
 * A slot is one area of the board's memory: a seal of 8 bytes (a sequence number from 1 on, and its complement), then the
 * image (gauge07.bin). A new image goes into the slot that is not in use, its seal last. Wherever the power fails, what is
 * found afterwards is the old table or the new one, whole: an unfinished image fails its CRC-32, an unfinished seal its
 * complement. With no sound slot, the table that was compiled in is used.
 *
 * An image is taken only by the unit whose serial number it holds, and none that is older than the table in use.
 *
 * An interrupt may look up at any time: it finds the table in use by one byte, which is written last, and an update works
 * on the other slot's structure and bytes. Update and roll back from one place, and never within the interrupt.
 */
#ifndef TABLE_STORE_H
#define TABLE_STORE_H

#include "board.h"
#include "gauge07_follow.h"
#include "gauge07_image.h"

#define TABLE_STORE_IMAGE_BYTES (BOARD_AREA_BYTES - BOARD_BLOCK_BYTES)

/* What is returned beyond the reasons of gauge07_image_open, 1 to 8. */
#define TABLE_STORE_TOO_LONG    9
#define TABLE_STORE_NOT_WRITTEN 10
#define TABLE_STORE_NO_OLDER    11

struct table_store {
    volatile uint8_t in_use;                               /* the slot that is looked up, or BOARD_TABLE_AREAS: none */
    uint8_t slot;                                          /* the same; with none, the one that is not written next */
    uint32_t sequence;                                     /* of the table in use; 0: the one that was compiled in */
    struct gauge07_image image[BOARD_TABLE_AREAS];
    uint8_t bytes[BOARD_TABLE_AREAS][TABLE_STORE_IMAGE_BYTES];
};

/* Find the table to use; at start-up. */
void table_store_open(struct table_store *store);

/* Store an image and use it. 0: done. Else it is refused, or did not come through, and the table in use stays.
 * older_too: 1 takes one of a lower build than the table in use. */
int table_store_update(struct table_store *store, const uint8_t *image, uint16_t length, int older_too);

/* Use the table before the one in use again, and forget that one. 0: done; else there is none, and all stays. */
int table_store_roll_back(struct table_store *store);

/* Predicted offset at this code, by the table in use. [ppt] */
int32_t table_store_offset_ppt(const struct table_store *store, int16_t code);

/* An update of the filter with the sensor's code: predicted offset now, by the table in use. [ppt] */
int32_t table_store_followed_ppt(const struct table_store *store, gauge07_follow_t *follow, int16_t code);

/* 1: the code lies in the range that was measured. */
int table_store_in_range(const struct table_store *store, int16_t code);

/* A number that tells tables apart: the same offsets give the same mark, wherever they are kept. */
uint32_t table_store_mark(const struct table_store *store);

#endif
