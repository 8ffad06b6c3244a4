/*
 * The insole's log: what it samples, kept in a flash chip and read behind the stream (../wire_format.md section 8,
 * ../gatt_profile.md section 11). Optional: an insole without one is as good as before.
 *
 *     frame    ->  pg_log_frame                            with or without a link
 *     loop     ->  pg_log_work                             programs, erases and searches a little
 *     request  ->  pg_log_asked
 *     log      <-  pg_log_message, pg_log_message_done     pages and the end, behind the data packets
 *     state    <-  pg_log_read_state
 *
 * No allocation, no floating point, no waiting, no library function. Call everything from one context.
 */
#ifndef PLANTIGRADE_LOG_H
#define PLANTIGRADE_LOG_H

#include "plantigrade_insole.h"
#include "plantigrade_logpage.h"

#ifdef __cplusplus
extern "C" {
#endif

/* ---- the flash chip: yours to write. Addresses are bytes from the chip's beginning ---- */

/* Read; after whatever the chip is at, which is suspended for it. */
void port_flash_read(uint32_t address, uint8_t *out, size_t length);

/* Take the bytes and begin to program them at a page's beginning, suspending an erase; false: not now, ask again. */
bool port_flash_program(uint32_t address, const uint8_t *bytes, size_t length);

/* Begin to erase the sector that begins there; false: not now. And whether nothing is being erased any more. */
bool port_flash_erase(uint32_t address);
bool port_flash_is_erased(void);

/* State, to be used through the functions only. */
typedef struct {
    const pg_config *config;
    uint32_t pages;      /* in the chip */
    uint32_t next;       /* number of the next page */
    uint32_t oldest;     /* number of the oldest page that may be kept */
    uint32_t erased_for; /* page number for whose sector an erase was begun in this boot, or a number out of turn */
    uint32_t full_at;    /* page number at which logging without a link ends */
    uint32_t sample;     /* number of the next frame */
    uint64_t now_us;     /* the long clock at the last look */
    uint64_t due_us;     /* the long clock at which the next frame is due */
    uint16_t boot;
    uint16_t resumes_us; /* the period with which logging goes on after a reset, 0: it does not */
    uint16_t period_us;  /* of the page being filled */
    bool has_due;
    bool is_first;
    bool logging;
    bool ending;  /* one frame more, for the flag `last` */
    bool unheard; /* the link is lost: not beyond full_at */
    bool filling_any;
    /* the request under way */
    bool asked;
    bool ended; /* `message` holds the end */
    bool has_message;
    uint8_t token;
    uint16_t wanted_boot;
    uint16_t wanted_pages; /* 0: all */
    uint16_t torn;         /* passed over and told */
    uint16_t torn_now;     /* and since the last page that was held */
    uint32_t look_at;      /* number to look at next */
    uint32_t sent;
    uint64_t from_us;
    uint64_t to_us;
    size_t filling_bytes;
    size_t ready_bytes; /* 0: none waits for the flash */
    size_t message_bytes;
    uint8_t filling[PG_MAX_MESSAGE];
    uint8_t ready[PG_MAX_MESSAGE];
    uint8_t message[PG_MAX_MESSAGE];
} pg_log;

/*
 * Begin after a reset: look through the chip, `pages` of 256 bytes, a power of two of at least 64; with the
 * free-running clock of now. It reads a page of each sector: half a megabyte of a 64 Mbit chip. False where the number
 * of pages cannot be.
 */
bool pg_log_init(pg_log *log, const pg_config *config, uint32_t pages, uint32_t clock_us);

/* The period with which to sample on after a reset, us; 0: do not. Logging is under way then. */
uint16_t pg_log_resumes_us(const pg_log *log);

bool pg_log_is_logging(const pg_log *log);

/* Keep the long clock: call it at least once in an hour, with the free-running clock. */
void pg_log_clock(pg_log *log, uint32_t clock_us);

/* The stream began, or goes on with a link. */
void pg_log_start(pg_log *log);

/*
 * Keep one frame, of the clock's time as the data packets have it; nothing where it is not logging. Frames within
 * half a period of their time belong to the page; another period, or a gap, begins a new one.
 */
void pg_log_frame(pg_log *log, uint32_t clock_us, uint16_t period_us, const uint16_t *counts);

/* End logging on purpose; where the page under way is empty, one frame more is wanted: pg_log_is_logging says. */
void pg_log_stop(pg_log *log);

/* The link is lost: logging goes on for all pages of the chip but 32, so none of these is lost; a request ends. */
void pg_log_link_lost(pg_log *log);

/* Program, erase and search a little; true: there is more to do, come again soon. */
bool pg_log_work(pg_log *log);

/* What the host wrote; `fits`: the link lets 244 bytes through. */
void pg_log_asked(pg_log *log, const uint8_t *request, size_t length, bool fits);

/* The next page or end to notify, or NULL; it stays where it is until pg_log_message_done. */
const uint8_t *pg_log_message(const pg_log *log, size_t *length);
void pg_log_message_done(pg_log *log);

/* The characteristic's value, PG_LOG_STATE_BYTES, with the free-running clock of now. */
void pg_log_read_state(pg_log *log, uint32_t clock_us, uint8_t *out);

#ifdef __cplusplus
}
#endif

#endif
