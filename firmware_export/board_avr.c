/* board_avr.c
 *
 * An AVR of the mega kind: prints and listens through UART 0, keeps tables and base in its EEPROM.
 */
#include "board.h"
#include "demo_readings.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <util/delay.h>

#define BAUD        UINT32_C(9600)
#define SILENCE_US  UINT32_C(500000)
#define POLLING_US  100u

static uint8_t *place_of(uint8_t area, uint16_t place)
{
    return (uint8_t *)(uint16_t)(area * BOARD_AREA_BYTES + place);
}

void board_start(int count, char **words)
{
    (void)count;
    (void)words;
    UBRR0 = (uint16_t)((F_CPU + 8u * BAUD) / (16u * BAUD) - 1u);
    UCSR0C = (uint8_t)(_BV(UCSZ01) | _BV(UCSZ00));
    UCSR0B = (uint8_t)(_BV(RXEN0) | _BV(TXEN0));
}

int board_read(struct reading *reading)
{
    return demo_reading_next(reading);
}

int board_update(int16_t *code)
{
    return demo_update_next(code);
}

/* A message begins within half a second, and ends with half a second of silence. */
uint16_t board_receive(uint8_t *bytes, uint16_t room)
{
    uint16_t count = 0u;
    uint32_t silent_us = 0u;

    while (silent_us < SILENCE_US) {
        if ((UCSR0A & _BV(RXC0)) != 0u) {
            const uint8_t byte = UDR0;

            if (count < room) {
                bytes[count] = byte;
                count++;
            }
            silent_us = 0u;
        } else {
            _delay_us(POLLING_US);
            silent_us += POLLING_US;
        }
    }
    return count;
}

void board_put(char letter)
{
    while ((UCSR0A & _BV(UDRE0)) == 0u) {
        /* The last letter is not yet on its way. */
    }
    UCSR0A |= _BV(TXC0);
    UDR0 = (uint8_t)letter;
}

void board_store_read(uint8_t area, uint16_t place, uint8_t *bytes, uint16_t count)
{
    eeprom_read_block(bytes, place_of(area, place), count);
}

/* A byte of EEPROM is erased as it is written. */
void board_store_erase(uint8_t area)
{
    (void)area;
}

/* Byte by byte, from the first to the last: the order is part of what makes a seal safe. */
void board_store_write(uint8_t area, uint16_t place, const uint8_t *block)
{
    uint8_t along;

    for (along = 0u; along < BOARD_BLOCK_BYTES; along++) {
        eeprom_update_byte(place_of(area, (uint16_t)(place + along)), block[along]);
    }
    eeprom_busy_wait();
}

void board_end(void)
{
    while ((UCSR0A & _BV(TXC0)) == 0u) {
        /* The last letter is still leaving. */
    }
    cli();
    sleep_mode();
}
