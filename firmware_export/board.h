/* board.h
 *
 * All that differs between machines. board_host.c, board_avr.c and board_cortexm.c each hold one answer.
 */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

/* What is measured in one go. */
struct reading {
    int64_t shown_millihz;    /* a frequency as the counter shows it */
    int64_t counted_us;   /* an interval as the counter counted it */
    int16_t code;         /* the sensor beside the crystal, in the table's codes: round(16 * degC) */
};

/* Memory that keeps its content without power: three areas, each erased on its own. */
#define BOARD_AREA_BYTES  320u
/* What is written in one go, and once between two erasures: 8, or on some parts 16 or 32 bytes. */
#ifndef BOARD_BLOCK_BYTES
#define BOARD_BLOCK_BYTES 8u
#endif
#define BOARD_TABLE_AREAS 2u
#define BOARD_TRIM_AREA   2u

/* Before all else. The words are the host's command line; other machines have none, and do not look at them. */
void board_start(int count, char **words);

/* 1: a reading was taken. 0: there are no more (this demonstration ends; a real board never does). */
int board_read(struct reading *reading);

/* 1: GAUGE07_UPDATE_MS have passed since the last time, and this is the sensor's code now. 0: the demonstration ends; a
 * real board sleeps until then, or counts the milliseconds in its timer's interrupt. */
int board_update(int16_t *code);

/* A message from outside, at most room bytes: how many came. 0: none did. */
uint16_t board_receive(uint8_t *bytes, uint16_t room);

void board_put(char letter);

void board_store_read(uint8_t area, uint16_t place, uint8_t *bytes, uint16_t count);

/* Makes the area ready to be written; what it reads as until then is open. */
void board_store_erase(uint8_t area);

/* Writes BOARD_BLOCK_BYTES at a multiple of it: once between two calls of board_store_erase. */
void board_store_write(uint8_t area, uint16_t place, const uint8_t *block);

/* After all else. */
void board_end(void);

#endif
