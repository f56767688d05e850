/* Calls functions of an AVR program on libsimavr, each with registers as given; answers, cycles, instructions.
 *
 * avr_calls PROGRAM MCU RETURN COUNTED CALLS RESULTS REACHED: addresses in bytes, decimal.
 * A call: address (4 bytes), registers r8 to r25 (18). A result: r18 to r25 (8), cycles (4), instructions (4).
 * Cycles have the function's own return in them and not the call. REACHED: a byte for each word of flash,
 * 1 where an instruction was executed in calls of COUNTED.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define LIMIT 20000000u
#define WORDS 65536u

static elf_firmware_t firmware;
static uint8_t reached[WORDS];

static uint32_t get32(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 | (uint32_t)bytes[3] << 24;
}

static void put32(uint8_t *bytes, uint32_t value)
{
    int place;

    for (place = 0; place < 4; place++) {
        bytes[place] = (uint8_t)(value >> (8 * place));
    }
}

/* Registers that a function must give back as they were: r2 to r17, r28, r29; and r1 is 0. */
static int kept(const uint8_t *before, const uint8_t *after)
{
    return (memcmp(before + 2, after + 2, 16) == 0) && (memcmp(before + 28, after + 28, 2) == 0) && (after[1] == 0u);
}

static int call(avr_t *avr, uint32_t back, uint32_t counted, const uint8_t *asked, uint8_t *result)
{
    const uint32_t function = get32(asked);
    const avr_cycle_count_t start = avr->cycle;
    uint16_t stack = avr->ramend;
    uint8_t before[32];
    uint32_t instructions = 0u;

    memset(before, 0xA5, sizeof before);
    before[1] = 0u;
    memcpy(before + 8, asked + 4, 18);
    memcpy(avr->data, before, sizeof before);
    avr->data[stack--] = (uint8_t)(back >> 1);
    avr->data[stack--] = (uint8_t)(back >> 9);
    avr->data[0x5d] = (uint8_t)stack;
    avr->data[0x5e] = (uint8_t)(stack >> 8);
    avr->pc = function;
    while (avr->pc != back) {
        if (function == counted && avr->pc / 2u < WORDS) {
            reached[avr->pc / 2u] = 1u;
        }
        if (avr_run(avr) >= cpu_Done || avr->cycle - start > LIMIT) {
            return 0;
        }
        instructions++;
    }
    memcpy(result, avr->data + 18, 8);
    put32(result + 8, (uint32_t)(avr->cycle - start));
    put32(result + 12, instructions);
    return kept(before, avr->data);
}

int main(int count, char **words)
{
    uint8_t asked[22];
    uint8_t result[16];
    uint32_t back;
    unsigned long number = 0u;
    FILE *calls;
    FILE *results;
    FILE *map;
    avr_t *avr;

    if (count != 8 || elf_read_firmware(words[1], &firmware) != 0) {
        return 3;
    }
    avr = avr_make_mcu_by_name(words[2]);
    calls = fopen(words[5], "rb");
    results = fopen(words[6], "wb");
    map = fopen(words[7], "wb");
    if (avr == NULL || calls == NULL || results == NULL || map == NULL) {
        return 3;
    }
    avr_init(avr);
    avr->log = LOG_ERROR;
    avr_load_firmware(avr, &firmware);
    avr->log = LOG_ERROR;
    back = (uint32_t)strtoul(words[3], NULL, 10);
    /* The start-up code clears r1 and copies the data; it ends in main, to which all calls return. */
    while (avr->pc != back) {
        if (avr_run(avr) >= cpu_Done || avr->cycle > LIMIT) {
            (void)fprintf(stderr, "the start-up code did not come to main\n");
            return 4;
        }
    }
    while (fread(asked, 1u, sizeof asked, calls) == sizeof asked) {
        if (call(avr, back, (uint32_t)strtoul(words[4], NULL, 10), asked, result) == 0) {
            (void)fprintf(stderr, "call %lu did not return as the calling convention asks\n", number);
            return 4;
        }
        (void)fwrite(result, 1u, sizeof result, results);
        number++;
    }
    (void)fwrite(reached, 1u, sizeof reached, map);
    (void)fclose(calls);
    (void)fclose(map);
    return (fclose(results) == 0) ? 0 : 3;
}
