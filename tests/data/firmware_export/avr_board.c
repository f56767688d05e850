/* An AVR board on libsimavr: sends a message into its UART once its first line is out, writes what it prints into a file,
 * and keeps its EEPROM in another.
 *
 * avr_board PROGRAM MCU MESSAGE EEPROM PRINTED BYTES: files, but for MCU and BYTES, decimal: the power fails when so many
 * bytes of EEPROM were changed; 0 for never. Returns 0 when the program came to its end, 5 when the power failed, 4 when
 * it crashed or did not end.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_eeprom.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define CLOCK_HZ   8000000u
#define LIMIT      UINT64_C(400000000)
#define MEMORY     4096u
#define WATCHED    768u
#define BYTE_CYCLES 8400u

static elf_firmware_t firmware;
static FILE *printed;
static int listening;

static void print(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq;
    (void)unused;
    (void)putc((int)value, printed);
    listening = listening || value == '\n';
}

/* Bytes that differ from those at the start. */
static unsigned long changes(const uint8_t *before, const uint8_t *now)
{
    unsigned long count = 0u;
    unsigned place;

    for (place = 0u; place < WATCHED; place++) {
        count += (before[place] != now[place]) ? 1u : 0u;
    }
    return count;
}

static int run(avr_t *avr, FILE *message, const uint8_t *before, const uint8_t *now, unsigned long fails_at)
{
    avr_irq_t *const input = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    uint64_t next = 0u;
    int state = cpu_Running;
    int byte;

    while (state != cpu_Done && state != cpu_Crashed && avr->cycle < LIMIT) {
        if (listening && avr->cycle >= next && (byte = getc(message)) != EOF) {
            avr_raise_irq(input, (uint32_t)byte);
            next = avr->cycle + BYTE_CYCLES;
        }
        state = avr_run(avr);
        if (fails_at != 0u && memcmp(before, now, WATCHED) != 0 && changes(before, now) >= fails_at) {
            return 5;
        }
    }
    return (state == cpu_Done) ? 0 : 4;
}

int main(int count, char **words)
{
    uint8_t memory[MEMORY];
    avr_eeprom_desc_t eeprom = {memory, 0u, MEMORY};
    avr_eeprom_desc_t now = {NULL, 0u, MEMORY};
    uint32_t flags = 0u;
    FILE *message;
    FILE *kept;
    avr_t *avr;
    int result;

    if (count != 7 || elf_read_firmware(words[1], &firmware) != 0) {
        return 3;
    }
    avr = avr_make_mcu_by_name(words[2]);
    message = fopen(words[3], "rb");
    kept = fopen(words[4], "rb");
    printed = fopen(words[5], "wb");
    if (avr == NULL || message == NULL || printed == NULL || kept == NULL
        || fread(memory, 1u, MEMORY, kept) != MEMORY) {
        return 3;
    }
    (void)fclose(kept);
    avr_init(avr);
    avr->log = LOG_ERROR;
    avr_load_firmware(avr, &firmware);
    avr->frequency = CLOCK_HZ;
    (void)avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &eeprom);
    (void)avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), print, NULL);
    /* Asked without a place to copy to, it shows its own memory. */
    (void)avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &now);
    if (now.ee == NULL) {
        return 3;
    }
    result = run(avr, message, memory, now.ee, strtoul(words[6], NULL, 10));
    kept = fopen(words[4], "wb");
    if (kept == NULL || fwrite(now.ee, 1u, MEMORY, kept) != MEMORY || fclose(kept) != 0 || fclose(printed) != 0) {
        return 3;
    }
    return result;
}
