/* board_host.c
 *
 * A computer as the board, to try the example without one.
 *
 *   gauge07_host [--store FILE] [--image FILE | --measured CODE PPT] [CODE ...]
 *
 * --store keeps the memory of tables and base in a file (else it is empty at each start); --image sends a new table;
 * --measured sends the offset measured at a code. Without codes, a fixed ramp is read,
 * and then one that is followed.
 */
#include "board.h"
#include "demo_readings.h"
#include "little_endian.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define AREAS (BOARD_TABLE_AREAS + 1u)

static uint8_t memory[AREAS][BOARD_AREA_BYTES];
static uint8_t message[4096];
static size_t message_bytes;
static const char *store_file;
static char **codes;

static void refuse(const char *what, const char *word)
{
    (void)fprintf(stderr, "%s: %s\n", what, word);
    exit(2);
}

static int32_t number(const char *word)
{
    char *end;
    long value;

    errno = 0;
    value = strtol(word, &end, 10);
    if ((end == word) || (*end != '\0') || (errno != 0) || (value > INT32_MAX) || (value < INT32_MIN)) {
        refuse("expected an integer of 32 bits", word);
    }
    return (int32_t)value;
}

static int16_t code(const char *word)
{
    const int32_t value = number(word);

    if ((value < INT16_MIN) || (value > INT16_MAX)) {
        refuse("expected a code, -32768 to 32767", word);
    }
    return (int16_t)value;
}

static size_t contents(const char *file, uint8_t *bytes, size_t room)
{
    FILE *const opened = fopen(file, "rb");
    size_t count;

    if (opened == NULL) {
        refuse("cannot be read", file);
        return 0u;
    }
    count = fread(bytes, 1u, room, opened);
    (void)fclose(opened);
    return count;
}

static void save(void)
{
    FILE *opened;

    if (store_file == NULL) {
        return;
    }
    opened = fopen(store_file, "wb");
    if ((opened == NULL) || (fwrite(memory, 1u, sizeof memory, opened) != sizeof memory) || (fclose(opened) != 0)) {
        refuse("cannot be written", store_file);
    }
}

static void open_store(const char *file)
{
    FILE *const opened = fopen(file, "rb");

    store_file = file;
    if (opened != NULL) {
        if (fread(memory, 1u, sizeof memory, opened) != sizeof memory) {
            refuse("is not a store of this program", file);
        }
        (void)fclose(opened);
    }
}

static void compose_measured(const char *at, const char *measured)
{
    memcpy(message, "TCTM", 4u);
    put_word(&message[4], (uint32_t)(int32_t)code(at));
    put_word(&message[8], (uint32_t)number(measured));
    message_bytes = 12u;
}

void board_start(int count, char **words)
{
    int place = 1;

    memset(memory, 0xFF, sizeof memory);
    while ((place < count) && (strncmp(words[place], "--", 2u) == 0)) {
        const char *const option = words[place];
        const int arguments = (strcmp(option, "--measured") == 0) ? 2 : 1;

        if ((place + arguments) >= count) {
            refuse("an option lacks its value", option);
        }
        if (strcmp(option, "--store") == 0) {
            open_store(words[place + 1]);
        } else if (strcmp(option, "--image") == 0) {
            message_bytes = contents(words[place + 1], message, sizeof message);
        } else if (strcmp(option, "--measured") == 0) {
            compose_measured(words[place + 1], words[place + 2]);
        } else {
            refuse("expected --store, --image or --measured", option);
        }
        place += 1 + arguments;
    }
    codes = (place < count) ? &words[place] : NULL;
}

int board_read(struct reading *reading)
{
    if (codes == NULL) {
        return demo_reading_next(reading);
    }
    if (*codes == NULL) {
        return 0;
    }
    demo_reading_at(code(*codes), reading);
    codes++;
    return 1;
}

int board_update(int16_t *code)
{
    return (codes == NULL) ? demo_update_next(code) : 0;
}

uint16_t board_receive(uint8_t *bytes, uint16_t room)
{
    const uint16_t count = (message_bytes < room) ? (uint16_t)message_bytes : room;

    memcpy(bytes, message, count);
    return count;
}

void board_put(char letter)
{
    (void)putchar(letter);
}

void board_store_read(uint8_t area, uint16_t place, uint8_t *bytes, uint16_t count)
{
    memcpy(bytes, &memory[area][place], count);
}

void board_store_erase(uint8_t area)
{
    memset(memory[area], 0xFF, BOARD_AREA_BYTES);
    save();
}

void board_store_write(uint8_t area, uint16_t place, const uint8_t *block)
{
    memcpy(&memory[area][place], block, BOARD_BLOCK_BYTES);
    save();
}

void board_end(void)
{
    (void)fflush(stdout);
}
