#include "plantigrade_log.h"

#define VERSION 1u
#define TOKEN_BYTES 3u
#define REQUEST_BYTES 20u
#define ERASE_AHEAD_PAGES 7u /* begun when page p - 8 was written, for page p */
#define UNSURE_PAGES 32u /* of the sector being filled, and of the one that is erased ahead */
#define SLOTS_A_TURN 16u
#define LEAST_PAGES 64u
#define OUT_OF_TURN 1u /* no sector begins at this page number */
#define MOST_TORN 0xFFFFu

/* ---- the ring ---- */

static uint32_t address_of(const pg_log *log, uint32_t page)
{
    return (page & (log->pages - 1u)) << 8;
}

/* The first page number of a sector, at or after this one. */
static uint32_t sector_from(uint32_t page)
{
    return (page + PG_SECTOR_PAGES - 1u) & ~(PG_SECTOR_PAGES - 1u);
}

/* Whether a slot holds a page whose place it is; its bytes are in `bytes` then. */
static bool slot_holds(const pg_log *log, uint32_t slot, uint8_t *bytes, pg_log_head *head)
{
    const uint32_t address = address_of(log, slot);
    port_flash_read(address, bytes, PG_LOG_HEADER_BYTES);
    if (!pg_log_read_head(bytes, head) || (address_of(log, head->page) != address)) {
        return false;
    }
    port_flash_read(address + PG_LOG_HEADER_BYTES, bytes + PG_LOG_HEADER_BYTES, head->length - PG_LOG_HEADER_BYTES);
    return pg_log_read_page(bytes, head->length, head);
}

static bool slot_is_erased(const pg_log *log, uint32_t slot)
{
    uint8_t bytes[PG_SECTOR_PAGES];
    const uint32_t address = address_of(log, slot);
    for (uint32_t at = 0u; at < PG_FLASH_PAGE_BYTES; at += (uint32_t)sizeof bytes) {
        port_flash_read(address + at, bytes, sizeof bytes);
        for (size_t k = 0u; k < sizeof bytes; k++) {
            if (bytes[k] != 0xFFu) {
                return false;
            }
        }
    }
    return true;
}

/* The newest page: the first that each sector holds, then through the sector of the largest number. */
static bool find_newest(pg_log *log, pg_log_head *newest)
{
    pg_log_head head;
    bool found = false;
    newest->page = 0u;
    newest->boot = 0u;
    newest->flags = 0u;
    newest->period_us = 0u;
    for (uint32_t first = 0u; first < log->pages; first += PG_SECTOR_PAGES) {
        uint32_t slot = first;
        while ((slot < first + PG_SECTOR_PAGES) && !slot_holds(log, slot, log->message, &head)) {
            slot++;
        }
        if ((slot < first + PG_SECTOR_PAGES) && (head.page >= newest->page)) {
            newest->page = head.page;
            found = true;
        }
    }
    if (found) {
        const uint32_t first = newest->page & ~(PG_SECTOR_PAGES - 1u);
        for (uint32_t page = first; page < first + PG_SECTOR_PAGES; page++) {
            if (slot_holds(log, page, log->message, &head) && (head.page >= newest->page)) {
                newest->page = head.page;
                newest->boot = head.boot;
                newest->flags = head.flags;
                newest->period_us = head.period_us;
            }
        }
    }
    return found;
}

static uint32_t oldest_possible(const pg_log *log)
{
    const uint32_t end = sector_from(log->next);
    return (end > log->pages) ? end - log->pages : 0u;
}

/* Go on with the number of the oldest page until a slot holds it. */
static void find_oldest(pg_log *log, uint8_t *bytes)
{
    pg_log_head head;
    while ((log->oldest < log->next) &&
           !(slot_holds(log, log->oldest, bytes, &head) && (head.page == log->oldest))) {
        log->oldest++;
    }
}

bool pg_log_init(pg_log *log, const pg_config *config, uint32_t pages, uint32_t clock_us)
{
    pg_log_head newest;
    log->config = config;
    log->pages = pages;
    log->next = 0u;
    log->oldest = 0u;
    log->erased_for = OUT_OF_TURN;
    log->full_at = 0u;
    log->sample = 0u;
    log->now_us = clock_us;
    log->due_us = 0u;
    log->boot = 1u;
    log->resumes_us = 0u;
    log->period_us = 0u;
    log->has_due = false;
    log->is_first = true;
    log->logging = false;
    log->ending = false;
    log->unheard = false;
    log->filling_any = false;
    log->asked = false;
    log->ended = false;
    log->has_message = false;
    log->filling_bytes = 0u;
    log->ready_bytes = 0u;
    log->message_bytes = 0u;
    if ((pages < LEAST_PAGES) || ((pages & (pages - 1u)) != 0u)) {
        return false;
    }
    if (find_newest(log, &newest)) {
        log->boot = (uint16_t)((newest.boot == 0xFFFFu) ? 1u : newest.boot + 1u);
        log->next = newest.page + 1u;
        log->resumes_us = ((newest.flags & PG_LOG_LAST) != 0u) ? (uint16_t)0u : newest.period_us;
        while (((log->next & (PG_SECTOR_PAGES - 1u)) != 0u) && !slot_is_erased(log, log->next)) {
            log->next++;
        }
    }
    log->oldest = oldest_possible(log);
    find_oldest(log, log->message);
    log->logging = log->resumes_us != 0u;
    return true;
}

uint16_t pg_log_resumes_us(const pg_log *log)
{
    return log->resumes_us;
}

bool pg_log_is_logging(const pg_log *log)
{
    return log->logging;
}

/* ---- frames into pages ---- */

void pg_log_clock(pg_log *log, uint32_t clock_us)
{
    const uint32_t low = (uint32_t)(log->now_us & 0xFFFFFFFFu);
    const uint32_t on_us = clock_us - low; /* wraps, as unsigned numbers do */
    if (on_us < 0x80000000u) {             /* a frame may be handed over a little after the loop's look */
        log->now_us += on_us;
    }
}

/* The long clock of a time that is near to now: before the last look at the clock, or after it. */
static uint64_t long_clock_of(const pg_log *log, uint32_t clock_us)
{
    const uint32_t low = (uint32_t)(log->now_us & 0xFFFFFFFFu);
    const uint32_t ahead_us = clock_us - low;
    const uint32_t behind_us = low - clock_us;
    return (ahead_us < 0x80000000u) ? log->now_us + ahead_us : log->now_us - behind_us;
}

void pg_log_start(pg_log *log)
{
    log->logging = true;
    log->ending = false;
    log->unheard = false;
}

/* The quotient to the nearest, halves to even; by shifts, for the smallest cores have no division. */
static uint32_t nearest_quotient(uint64_t value, uint16_t divisor)
{
    uint64_t step = divisor;
    uint64_t quotient = 0u;
    uint64_t bit = 1u;
    while ((step <= (value >> 1)) && (bit < ((uint64_t)1u << 40))) {
        step += step;
        bit += bit;
    }
    while (bit > 0u) {
        if (value >= step) {
            value -= step;
            quotient += bit;
        }
        step >>= 1;
        bit >>= 1;
    }
    if ((value + value > divisor) || ((value + value == divisor) && ((quotient & 1u) != 0u))) {
        quotient++;
    }
    return (uint32_t)quotient;
}

static void close_page(pg_log *log, uint8_t flags)
{
    log->filling[PG_LOG_FLAGS_AT] = (uint8_t)(log->filling[PG_LOG_FLAGS_AT] | flags);
    log->sample += log->filling[PG_LOG_FRAMES_AT];
    for (size_t k = 0u; k < log->filling_bytes; k++) {
        log->ready[k] = log->filling[k];
    }
    log->ready_bytes = log->filling_bytes;
    log->filling_any = false;
    log->is_first = false;
    if ((flags & PG_LOG_LAST) != 0u) {
        log->logging = false;
        log->ending = false;
    }
}

static void begin_page(pg_log *log, uint64_t clock_us, uint16_t period_us)
{
    const pg_config *const config = log->config;
    uint8_t *const out = log->filling;
    uint8_t flags = log->is_first ? (uint8_t)PG_LOG_FIRST : (uint8_t)0u;
    if (log->has_due && (clock_us > log->due_us)) {
        const uint64_t gap_us = clock_us - log->due_us;
        log->sample += nearest_quotient(gap_us, period_us);
        if (gap_us > (uint64_t)(period_us >> 1)) {
            flags = (uint8_t)(flags | PG_LOG_DROPPED);
        }
    }
    out[0] = VERSION;
    out[1] = PG_KIND_LOG_PAGE;
    out[2] = (uint8_t)(config->foot | (uint8_t)(config->sample_format << 1));
    out[PG_LOG_FLAGS_AT] = flags;
    pg_put16(out + 8, log->boot);
    pg_put16(out + 10, (uint16_t)(clock_us >> 32));
    pg_put32(out + 12, (uint32_t)(clock_us & 0xFFFFFFFFu));
    pg_put32(out + 16, log->sample);
    pg_put16(out + 20, period_us);
    out[22] = config->zones;
    out[PG_LOG_FRAMES_AT] = 0u;
    log->filling_bytes = PG_LOG_HEADER_BYTES;
    log->filling_any = true;
    log->period_us = period_us;
    log->due_us = clock_us;
    log->has_due = true;
}

/* Whether the frame belongs where the page under way has come to. */
static bool continues(const pg_log *log, uint64_t clock_us, uint16_t period_us)
{
    const uint64_t off_us = (clock_us > log->due_us) ? clock_us - log->due_us : log->due_us - clock_us;
    return (period_us == log->period_us) && (off_us <= (uint64_t)(period_us >> 1));
}

void pg_log_frame(pg_log *log, uint32_t clock_us, uint16_t period_us, const uint16_t *counts)
{
    const size_t bytes = pg_frame_bytes(log->config->zones, log->config->sample_format);
    const uint64_t at_us = long_clock_of(log, clock_us);
    if (!log->logging) {
        return;
    }
    if (log->filling_any &&
        (!continues(log, at_us, period_us) || (log->filling_bytes + bytes > PG_MAX_MESSAGE))) {
        if (log->ready_bytes > 0u) {
            return; /* the flash did not take the page before: this frame is lost, and the gap says so */
        }
        close_page(log, 0u);
    }
    if (!log->filling_any) {
        begin_page(log, at_us, period_us);
    }
    (void)pg_write_frame(
        &log->filling[log->filling_bytes], counts, log->config->zones, log->config->sample_format);
    log->filling_bytes += bytes;
    log->filling[PG_LOG_FRAMES_AT]++;
    log->due_us += period_us;
    if (log->ready_bytes == 0u) {
        if (log->ending) {
            close_page(log, PG_LOG_LAST);
        } else if (log->filling_bytes + bytes > PG_MAX_MESSAGE) {
            close_page(log, 0u);
        }
    }
}

void pg_log_stop(pg_log *log)
{
    if (!log->logging) {
        return;
    }
    if (log->filling_any && (log->ready_bytes == 0u)) {
        close_page(log, PG_LOG_LAST);
    } else {
        log->ending = true;
    }
}

static void forget_request(pg_log *log)
{
    log->asked = false;
    log->ended = false;
    log->has_message = false;
}

void pg_log_link_lost(pg_log *log)
{
    forget_request(log);
    if (log->logging && !log->unheard) {
        log->unheard = true;
        log->full_at = log->next + log->pages - UNSURE_PAGES;
    }
}

/* ---- pages into the flash ---- */

/* Begin the erase of the sector that comes next, in time or where there was none; false: it cannot yet. */
static bool erase_for(pg_log *log, uint32_t page)
{
    if (log->erased_for != page) {
        if (!port_flash_is_erased() || !port_flash_erase(address_of(log, page))) {
            return false;
        }
        log->erased_for = page;
        if (log->oldest + log->pages < page + PG_SECTOR_PAGES) {
            log->oldest = page + PG_SECTOR_PAGES - log->pages;
        }
    }
    return true;
}

static void write_page(pg_log *log)
{
    if (((log->next & (PG_SECTOR_PAGES - 1u)) == 0u) && (!erase_for(log, log->next) || !port_flash_is_erased())) {
        return;
    }
    pg_put32(log->ready + PG_LOG_PAGE_AT, log->next);
    pg_put32(log->ready + PG_LOG_CRC_AT, pg_log_crc(log->ready, log->ready_bytes));
    if (port_flash_program(address_of(log, log->next), log->ready, log->ready_bytes)) {
        log->next++;
        log->ready_bytes = 0u;
        if (log->unheard && (log->next >= log->full_at)) {
            pg_log_stop(log);
        }
    }
}

/* ---- reading behind the stream ---- */

static void end_request(pg_log *log, uint8_t token, uint8_t status, uint32_t sent, uint16_t torn)
{
    uint8_t *const out = log->message;
    out[0] = VERSION;
    out[1] = PG_KIND_LOG_END;
    out[2] = token;
    out[3] = status;
    pg_put32(out + 4, sent);
    pg_put16(out + 8, torn);
    pg_put16(out + 10, 0u);
    log->message_bytes = PG_LOG_END_BYTES;
    log->has_message = true;
    log->asked = false;
}

void pg_log_asked(pg_log *log, const uint8_t *request, size_t length, bool fits)
{
    if ((length < TOKEN_BYTES) || (length > PG_MAX_MESSAGE) || (request[0] != VERSION)) {
        return;
    }
    forget_request(log);
    if (request[1] != PG_KIND_LOG_REQUEST) {
        end_request(log, request[2], PG_UNKNOWN_REQUEST, 0u, 0u);
    } else if ((length != REQUEST_BYTES) || (request[3] != 0u)) {
        end_request(log, request[2], PG_VALUE_NOT_POSSIBLE, 0u, 0u);
    } else if (!fits) {
        end_request(log, request[2], PG_NOT_NOW, 0u, 0u);
    } else {
        log->token = request[2];
        log->wanted_boot = pg_get16(request + 4);
        log->from_us = pg_long_clock(pg_get16(request + 6), pg_get32(request + 8));
        log->to_us = pg_long_clock(pg_get16(request + 12), pg_get32(request + 14));
        log->wanted_pages = pg_get16(request + 18);
        log->look_at = (log->from_us < log->to_us) ? oldest_possible(log) : log->next;
        log->sent = 0u;
        log->torn = 0u;
        log->torn_now = 0u;
        log->asked = true;
    }
}

static uint16_t more_torn(uint16_t torn, uint16_t by)
{
    return (torn > MOST_TORN - by) ? (uint16_t)MOST_TORN : (uint16_t)(torn + by);
}

/* Whether a page holds samples that are wanted. */
static bool is_wanted(const pg_log *log, const pg_log_head *head)
{
    const uint64_t last_us = head->clock_us + (uint32_t)(head->frames - 1u) * head->period_us;
    return (head->boot == log->wanted_boot) && (head->clock_us < log->to_us) && (last_us >= log->from_us);
}

static void look_at_slot(pg_log *log)
{
    pg_log_head head;
    const uint32_t page = log->look_at;
    log->look_at++;
    if (!slot_holds(log, page, log->message, &head) || (head.page != page)) {
        log->torn_now = slot_is_erased(log, page) ? log->torn_now : more_torn(log->torn_now, 1u);
        return;
    }
    if (is_wanted(log, &head)) {
        log->torn = more_torn(log->torn, log->torn_now);
        log->message_bytes = head.length;
        log->has_message = true;
        log->sent++;
        if (log->sent == log->wanted_pages) {
            log->look_at = log->next;
        }
    }
    log->torn_now = 0u;
}

static void search(pg_log *log)
{
    for (uint8_t slots = 0u; (slots < SLOTS_A_TURN) && !log->has_message; slots++) {
        if (log->look_at >= log->next) {
            end_request(log, log->token, PG_DONE, log->sent, log->torn);
        } else {
            look_at_slot(log);
        }
    }
}

bool pg_log_work(pg_log *log)
{
    const uint32_t ahead = sector_from(log->next);
    if (log->ready_bytes > 0u) {
        write_page(log);
    } else if (log->logging && (ahead - log->next <= ERASE_AHEAD_PAGES)) {
        (void)erase_for(log, ahead);
    }
    if (log->asked && !log->has_message) {
        search(log);
    }
    return (log->ready_bytes > 0u) || log->asked;
}

const uint8_t *pg_log_message(const pg_log *log, size_t *length)
{
    *length = log->has_message ? log->message_bytes : 0u;
    return log->has_message ? log->message : NULL;
}

void pg_log_message_done(pg_log *log)
{
    log->has_message = false;
}

void pg_log_read_state(pg_log *log, uint32_t clock_us, uint8_t *out)
{
    uint8_t bytes[PG_MAX_MESSAGE];
    pg_log_clock(log, clock_us);
    find_oldest(log, bytes);
    out[0] = VERSION;
    out[1] = log->logging ? 1u : 0u;
    pg_put16(out + 2, log->boot);
    pg_put32(out + 4, (uint32_t)(log->now_us & 0xFFFFFFFFu));
    pg_put16(out + 8, (uint16_t)(log->now_us >> 32));
    pg_put16(out + 10, 0u);
    pg_put32(out + 12, log->oldest);
    pg_put32(out + 16, log->next);
    pg_put32(out + 20, log->pages);
}
