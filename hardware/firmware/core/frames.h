/* COBS framing (Cheshire and Baker 1999, IEEE/ACM Trans. Networking 7:159) with
 * CRC-16/CCITT-FALSE. */
#ifndef EVENWALL_FRAMES_H
#define EVENWALL_FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#include "protocol.h"

/* Room for a frame in COBS with a zero before and after it. */
#define WIRE_BYTES_MAX (FRAME_BYTES_MAX + 3)

uint16_t crc16(uint16_t crc, uint8_t byte);

typedef struct {
    uint8_t bytes[FRAME_BYTES_MAX];
    uint8_t count;
    uint8_t run;      /* bytes left in the running COBS block */
    bool zero_due;    /* a zero belongs before the next block */
    bool broken;      /* too long: skip to the next zero */
    bool any;         /* something came since the last zero */
} frame_reader_t;

typedef enum { FRAME_NONE, FRAME_GOOD, FRAME_BAD } frame_result_t;

/* Feed one byte. FRAME_GOOD: reader->bytes holds reader->count bytes, header and payload. */
frame_result_t frame_feed(frame_reader_t *reader, uint8_t byte);

/* Append the CRC to raw[0..count) and write the frame to out; returns the bytes written.
 * raw must have FRAME_CRC_BYTES to spare. */
uint8_t frame_write(uint8_t *raw, uint8_t count, uint8_t out[WIRE_BYTES_MAX]);

void put_u16(uint8_t *at, uint16_t value);
void put_u32(uint8_t *at, uint32_t value);
uint16_t get_u16(const uint8_t *at);
uint32_t get_u32(const uint8_t *at);

#endif
