#include "plantigrade_logpage.h"

#define VERSION 1u

/* Of each four bits: the polynomial 0xEDB88320, reflected (section 8). */
static const uint32_t CRC_OF_NIBBLE[16] = {
    0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
    0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu};

uint32_t pg_crc32(uint32_t crc, const uint8_t *bytes, size_t length)
{
    crc = ~crc;
    for (size_t k = 0u; k < length; k++) {
        crc ^= bytes[k];
        crc = (crc >> 4) ^ CRC_OF_NIBBLE[crc & 15u];
        crc = (crc >> 4) ^ CRC_OF_NIBBLE[crc & 15u];
    }
    return ~crc;
}

uint16_t pg_get16(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | (uint16_t)(bytes[1] << 8));
}

uint32_t pg_get32(const uint8_t *bytes)
{
    return (uint32_t)pg_get16(bytes) | ((uint32_t)pg_get16(bytes + 2) << 16);
}

uint64_t pg_long_clock(uint16_t high, uint32_t low)
{
    return ((uint64_t)high << 32) | low;
}

uint32_t pg_log_crc(const uint8_t *bytes, size_t length)
{
    const uint32_t head = pg_crc32(0u, bytes, PG_LOG_CRC_AT);
    return pg_crc32(head, bytes + PG_LOG_HEADER_BYTES, length - PG_LOG_HEADER_BYTES);
}

bool pg_log_read_head(const uint8_t *bytes, pg_log_head *head)
{
    const uint8_t format = bytes[2];
    const uint8_t zones = bytes[22];
    if ((bytes[0] != VERSION) || (bytes[1] != PG_KIND_LOG_PAGE)) {
        return false;
    }
    head->flags = bytes[PG_LOG_FLAGS_AT];
    head->page = pg_get32(bytes + PG_LOG_PAGE_AT);
    head->boot = pg_get16(bytes + 8);
    head->clock_us = pg_long_clock(pg_get16(bytes + 10), pg_get32(bytes + 12));
    head->period_us = pg_get16(bytes + 20);
    head->frames = bytes[PG_LOG_FRAMES_AT];
    if ((head->flags > (PG_LOG_FIRST | PG_LOG_DROPPED | PG_LOG_LAST)) || (format > (PG_RIGHT | (PG_PACKED12 << 1))) ||
        (head->period_us < PG_MIN_PERIOD_US) || (zones < 1u) || (zones > PG_MAX_ZONES) || (head->frames < 1u) ||
        (head->boot == 0u)) {
        return false;
    }
    head->length = PG_LOG_HEADER_BYTES + head->frames * pg_frame_bytes(zones, (uint8_t)(format >> 1));
    return head->length <= PG_MAX_MESSAGE;
}

bool pg_log_read_page(const uint8_t *bytes, size_t length, pg_log_head *head)
{
    return (length >= PG_LOG_HEADER_BYTES) && pg_log_read_head(bytes, head) && (length == head->length) &&
           (pg_get32(bytes + PG_LOG_CRC_AT) == pg_log_crc(bytes, length));
}
