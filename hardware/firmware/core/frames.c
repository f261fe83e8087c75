#include "frames.h"

/* The byte-wise form of polynomial 0x1021: no table, about 30 cycles on an 8-bit chip. */
uint16_t crc16(uint16_t crc, uint8_t byte)
{
    crc = (uint16_t)((crc >> 8) | (crc << 8));
    crc = (uint16_t)(crc ^ byte);
    crc = (uint16_t)(crc ^ ((crc & 0xFFU) >> 4));
    crc = (uint16_t)(crc ^ (crc << 12));
    crc = (uint16_t)(crc ^ ((crc & 0xFFU) << 5));
    return crc;
}

static frame_result_t finish(frame_reader_t *reader)
{
    bool whole = !reader->broken && reader->run == 0
                 && reader->count >= FRAME_HEADER_BYTES + FRAME_CRC_BYTES;
    bool any = reader->any;
    reader->run = 0;
    reader->zero_due = false;
    reader->broken = false;
    reader->any = false;
    if (!any) {
        reader->count = 0;
        return FRAME_NONE; /* zeros in a row are only idle */
    }
    uint16_t crc = 0xFFFF;
    for (uint8_t i = 0; i < reader->count; i++) {
        crc = crc16(crc, reader->bytes[i]);
    }
    /* Run over its own CRC, the remainder is zero. */
    if (!whole || crc != 0) {
        reader->count = 0;
        return FRAME_BAD;
    }
    reader->count = (uint8_t)(reader->count - FRAME_CRC_BYTES);
    return FRAME_GOOD;
}

static void keep(frame_reader_t *reader, uint8_t byte)
{
    if (reader->count < FRAME_BYTES_MAX) {
        reader->bytes[reader->count++] = byte;
    } else {
        reader->broken = true;
    }
}

frame_result_t frame_feed(frame_reader_t *reader, uint8_t byte)
{
    if (byte == 0) {
        return finish(reader);
    }
    if (!reader->any) {
        reader->any = true;
        reader->count = 0;
    }
    if (reader->run == 0) {
        if (reader->zero_due) {
            keep(reader, 0);
        }
        reader->run = (uint8_t)(byte - 1);
        reader->zero_due = byte != 0xFF;
    } else {
        keep(reader, byte);
        reader->run--;
    }
    return FRAME_NONE;
}

uint8_t frame_write(uint8_t *raw, uint8_t count, uint8_t out[WIRE_BYTES_MAX])
{
    uint16_t crc = 0xFFFF;
    for (uint8_t i = 0; i < count; i++) {
        crc = crc16(crc, raw[i]);
    }
    raw[count] = (uint8_t)(crc >> 8);
    raw[count + 1] = (uint8_t)crc;
    count = (uint8_t)(count + FRAME_CRC_BYTES);

    /* Frames are shorter than 254 bytes, so a block never fills up. */
    uint8_t code_at = 1;
    uint8_t end = 2;
    out[0] = 0; /* ends whatever garbage came before */
    for (uint8_t i = 0; i < count; i++) {
        if (raw[i] == 0) {
            out[code_at] = (uint8_t)(end - code_at);
            code_at = end++;
        } else {
            out[end++] = raw[i];
        }
    }
    out[code_at] = (uint8_t)(end - code_at);
    out[end++] = 0;
    return end;
}

void put_u16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
}

void put_u32(uint8_t *at, uint32_t value)
{
    put_u16(at, (uint16_t)value);
    put_u16(at + 2, (uint16_t)(value >> 16));
}

uint16_t get_u16(const uint8_t *at)
{
    return (uint16_t)(at[0] | ((uint16_t)at[1] << 8));
}

uint32_t get_u32(const uint8_t *at)
{
    return get_u16(at) | ((uint32_t)get_u16(at + 2) << 16);
}
