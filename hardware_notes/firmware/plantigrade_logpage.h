/*
 * Pages of the log, as bytes (../wire_format.md section 8). No state.
 */
#ifndef PLANTIGRADE_LOGPAGE_H
#define PLANTIGRADE_LOGPAGE_H

#include "plantigrade_wire.h"

#ifdef __cplusplus
extern "C" {
#endif

#define PG_KIND_LOG_PAGE 0x30u
#define PG_KIND_LOG_END 0x31u
#define PG_KIND_LOG_REQUEST 0x38u
#define PG_LOG_HEADER_BYTES 28u
#define PG_LOG_STATE_BYTES 24u
#define PG_LOG_END_BYTES 12u
#define PG_FLASH_PAGE_BYTES 256u
#define PG_SECTOR_PAGES 16u

/* flags of a page */
#define PG_LOG_FIRST 0x01u
#define PG_LOG_DROPPED 0x02u
#define PG_LOG_LAST 0x04u

/* where they stand in a page */
#define PG_LOG_FLAGS_AT 3u
#define PG_LOG_PAGE_AT 4u
#define PG_LOG_FRAMES_AT 23u
#define PG_LOG_CRC_AT 24u

/* What a page's head says; and a page that is held passes all checks of sections 5 and 8. */
typedef struct {
    uint8_t flags;
    uint8_t frames;
    uint16_t boot;
    uint16_t period_us;
    uint32_t page;
    uint64_t clock_us; /* the long clock of the first frame */
    size_t length;
} pg_log_head;

/* CRC-32 of Ethernet, of more bytes after those that gave `crc`; begin with 0. */
uint32_t pg_crc32(uint32_t crc, const uint8_t *bytes, size_t length);

/* Read a page; false where it is none (sections 5 and 8), or another length than its head says. */
bool pg_log_read_page(const uint8_t *bytes, size_t length, pg_log_head *head);

/* The CRC that a page's bytes ask for; and its head alone, false where the first bytes are no page's. */
uint32_t pg_log_crc(const uint8_t *bytes, size_t length);
bool pg_log_read_head(const uint8_t *bytes, pg_log_head *head);

/* Numbers, least significant byte first; and a long clock of its two parts. */
uint16_t pg_get16(const uint8_t *bytes);
uint32_t pg_get32(const uint8_t *bytes);
uint64_t pg_long_clock(uint16_t high, uint32_t low);

#ifdef __cplusplus
}
#endif

#endif
