/* board_cortexm.c
 *
 * A Cortex-M without any make's registers: prints into a ring and listens to a box in RAM, both for the debugger's eyes
 * and hands. The three pages stand in RAM that a reset leaves alone, and behave as flash does: erasing sets all bits,
 * writing clears some. On your part, put its flash controller's commands into board_store_erase and board_store_write,
 * its serial port into board_put and board_receive, and give the pages their place in flash in cortexm.ld.
 */
#include "board.h"
#include "demo_readings.h"

#include <stddef.h>

#define RING_LETTERS 2048u
#define BOX_BYTES    320u
#define KEPT         __attribute__((section(".kept")))

/* The ring holds the last RING_LETTERS of what was printed; board_printed counts all. */
char board_ring[RING_LETTERS];
uint32_t board_printed;

/* A message, and its length: written by the debugger before a reset, taken once. */
uint8_t board_box[BOX_BYTES] KEPT;
uint32_t board_box_count KEPT;

uint8_t board_pages[BOARD_TABLE_AREAS + 1u][BOARD_AREA_BYTES] KEPT;

void board_start(int count, char **words)
{
    (void)count;
    (void)words;
    board_printed = 0u;
}

int board_read(struct reading *reading)
{
    return demo_reading_next(reading);
}

int board_update(int16_t *code)
{
    return demo_update_next(code);
}

uint16_t board_receive(uint8_t *bytes, uint16_t room)
{
    /* After power-up the box holds anything; a count that it cannot have is no message. */
    const uint32_t count = (board_box_count <= BOX_BYTES) ? board_box_count : 0u;
    uint16_t place;

    for (place = 0u; (place < count) && (place < room); place++) {
        bytes[place] = board_box[place];
    }
    board_box_count = 0u;
    return place;
}

void board_put(char letter)
{
    board_ring[board_printed % RING_LETTERS] = letter;
    board_printed++;
}

void board_store_read(uint8_t area, uint16_t place, uint8_t *bytes, uint16_t count)
{
    uint16_t along;

    for (along = 0u; along < count; along++) {
        bytes[along] = board_pages[area][place + along];
    }
}

void board_store_erase(uint8_t area)
{
    uint16_t place;

    for (place = 0u; place < BOARD_AREA_BYTES; place++) {
        board_pages[area][place] = 0xFFu;
    }
}

void board_store_write(uint8_t area, uint16_t place, const uint8_t *block)
{
    uint16_t along;

    for (along = 0u; along < BOARD_BLOCK_BYTES; along++) {
        board_pages[area][place + along] &= block[along];
    }
}

void board_end(void)
{
    /* The start-up code waits for ever behind main. */
}
