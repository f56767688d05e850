/* main.c
 *
 * Corrects what the river gauge's timing board counts, on any machine: what differs is behind board.h.
 */
#include "board.h"
#include "gauge07.h"
#include "gauge07_follow.h"
#include "little_endian.h"
#include "print.h"
#include "table_store.h"
#include "trim.h"

/* A message is an image of a table; or the letters TCTM, a code and the offset measured at it (int32_t each, low byte
 * first); or the letters TCTR, which ask for the table before the one in use. */
#define MEASURED        UINT32_C(0x4D544354)   /* "TCTM" */
#define MEASURED_BYTES  12u
#define ROLL_BACK       UINT32_C(0x52544354)   /* "TCTR" */
#define ROLL_BACK_BYTES 4u

#define SAID_UPDATES 12u   /* one update in so many is printed */

static void take_measured(const struct table_store *store, const uint8_t *message)
{
    const int32_t code = get_signed(&message[4]);

    if ((code < INT16_MIN) || (code > INT16_MAX) || (table_store_in_range(store, (int16_t)code) == 0)) {
        print_text("base refused: the code lies outside the table\n");
        return;
    }
    trim_write(table_store_mark(store),
               trim_base_ppt(get_signed(&message[8]), table_store_offset_ppt(store, (int16_t)code)));
    print_text("new base: stored\n");
}

static void take_image(struct table_store *store, const uint8_t *message, uint16_t length)
{
    const int reason = table_store_update(store, message, length, 0);

    print_text("new table: ");
    if (reason != 0) {
        print_text("refused for reason ");
        print_integer(reason);
        print_text("\n");
        return;
    }
    print_text("stored\n");
}

static void take_message(struct table_store *store)
{
    /* One byte more than fits: what is too long is seen to be. */
    static uint8_t message[TABLE_STORE_IMAGE_BYTES + 1u];
    const uint16_t length = board_receive(message, sizeof message);

    if (length == 0u) {
        return;
    }
    if ((length == MEASURED_BYTES) && (get_word(message) == MEASURED)) {
        take_measured(store, message);
    } else if ((length == ROLL_BACK_BYTES) && (get_word(message) == ROLL_BACK)) {
        print_text((table_store_roll_back(store) == 0) ? "older table: in use\n" : "older table: there is none\n");
    } else {
        take_image(store, message, length);
    }
}

static int32_t say_what_is_used(const struct table_store *store)
{
    int32_t base_ppt;

    print_text("table: ");
    if (store->sequence == 0u) {
        print_text("the one in the program\n");
    } else {
        print_text("number ");
        print_integer(store->sequence);
        print_text(", slot ");
        print_integer(store->slot);
        print_text("\n");
    }
    if (trim_read(table_store_mark(store), &base_ppt) == 0) {
        print_text("base: none stored for this table\n");
    } else {
        print_text("base: ");
        print_integer(base_ppt);
        print_text(" ppt\n");
    }
    return base_ppt;
}

static void say_corrected(const struct table_store *store, int32_t base_ppt, const struct reading *reading)
{
    const int32_t offset_ppt = trim_sum_ppt(table_store_offset_ppt(store, reading->code), base_ppt);

    print_text("code ");
    print_integer(reading->code);
    print_text((table_store_in_range(store, reading->code) != 0) ? "" : " (outside the table: its nearest end)");
    print_text(": offset ");
    print_integer(offset_ppt);
    print_text(" ppt; shown ");
    print_integer(reading->shown_millihz);
    print_text(" mHz, true ");
    print_integer(gauge07_true_frequency(reading->shown_millihz, offset_ppt));
    print_text(" mHz; counted ");
    print_integer(reading->counted_us);
    print_text(" us, true ");
    print_integer(gauge07_true_interval(reading->counted_us, offset_ppt));
    print_text(" us\n");
}

static void say_followed(const struct table_store *store, int32_t base_ppt, int16_t code, int32_t followed_ppt)
{
    print_text("moving, code ");
    print_integer(code);
    print_text(": offset ");
    print_integer(trim_sum_ppt(table_store_offset_ppt(store, code), base_ppt));
    print_text(" ppt by the sensor, ");
    print_integer(trim_sum_ppt(followed_ppt, base_ppt));
    print_text(" ppt by the crystal\n");
}

/* While the temperature changes, the crystal is not as warm as its sensor: the filter follows it. */
static void follow_temperature(const struct table_store *store, int32_t base_ppt)
{
    static gauge07_follow_t follow;
    int16_t code;
    uint16_t updates;

    for (updates = 0u; board_update(&code) != 0; updates++) {
        int32_t followed_ppt;

        if (updates == 0u) {
            gauge07_follow_start(&follow, code);
        }
        followed_ppt = table_store_followed_ppt(store, &follow, code);
        if ((updates % SAID_UPDATES) == 0u) {
            say_followed(store, base_ppt, code, followed_ppt);
        }
    }
}

int main(int count, char **words)
{
    static struct table_store store;
    struct reading reading;
    int32_t base_ppt;
    int failed;

    board_start(count, words);
    failed = gauge07_selftest();
    if (failed != 0) {
        print_text("self-test: vector ");
        print_integer(failed);
        print_text(" failed; nothing is corrected\n");
        board_end();
        return 1;
    }
    print_text("self-test: passed\n");
    table_store_open(&store);
    take_message(&store);
    base_ppt = say_what_is_used(&store);
    while (board_read(&reading) != 0) {
        say_corrected(&store, base_ppt, &reading);
    }
    follow_temperature(&store, base_ppt);
    board_end();
    return 0;
}
