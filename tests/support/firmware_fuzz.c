/*
 * Random writes to the firmware's control point, a random link and random samples, under the sanitizers.
 *
 *     fuzz SEED WRITES
 *
 * Half of the writes go straight to pg_control, in a block of exactly their length; half through the application, between
 * events of every kind; with each two of them a page of a log and a request to it, changed at random. Ends with 1 where an answer, a packet or a queue is none that may be; prints what was done.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "plantigrade_app.h"
#include "plantigrade_log.h"

static const pg_app_config CONFIG = {
    .insole = {.foot = PG_RIGHT, .sample_format = PG_PACKED12, .zones = 18u, .frames = 2u, .period_us = 10000u,
               .min_period_us = 2500u, .length_mm = 270u, .firmware = 0x0100u, .serial = 1u},
    .low_percent = 15u,
    .enough_percent = 20u,
    .empty_mv = 0u,
    .sleep_after_s = 20u,
};
static pg_app app;
static uint64_t state;
static uint32_t now_us, kept;
static unsigned long answers, packets, taken, ends, statuses[4];
static uint8_t chip[64u * PG_FLASH_PAGE_BYTES];
static bool has_tick;

static uint32_t random32(void)
{
    state ^= state << 13; /* Marsaglia's xorshift, of 64 bits */
    state ^= state >> 7;
    state ^= state << 17;
    return (uint32_t)(state >> 16);
}

static uint32_t below(uint32_t limit)
{
    return random32() % limit;
}

static void fail(const char *why)
{
    printf("WRONG %s\n", why);
    exit(1);
}

static void look_at_answer(const uint8_t *bytes, size_t length)
{
    static const size_t LENGTHS[] = {5u, 16u, 7u};
    if (length == 0u) {
        return;
    }
    answers++;
    if ((bytes[0] != 1u) || (bytes[1] < PG_KIND_ACK) || (bytes[1] > PG_KIND_CLOCK) ||
        (length != LENGTHS[bytes[1] - PG_KIND_ACK])) {
        fail("answer");
    }
    if (bytes[1] == PG_KIND_ACK) {
        if (bytes[4] > PG_NOT_NOW) {
            fail("status");
        }
        statuses[bytes[4]]++;
    }
}

static void look_at_packet(const uint8_t *bytes, size_t length)
{
    packets++;
    if ((length > PG_MAX_MESSAGE) || (bytes[0] != 1u) || (bytes[1] != PG_KIND_DATA) || (bytes[15] == 0u) ||
        (length != PG_HEADER_BYTES + bytes[15] * pg_frame_bytes(18u, PG_PACKED12))) {
        fail("packet");
    }
}

/* A request whole, cut, too long, of another kind or version, or any bytes at all. */
static size_t make_request(uint8_t *bytes)
{
    static const size_t LENGTHS[] = {3u, 3u, 5u, 4u, 4u, 3u};
    const uint32_t nth = below(6u);
    size_t length = LENGTHS[nth];
    for (size_t k = 0u; k < 300u; k++) {
        bytes[k] = (uint8_t)random32();
    }
    bytes[0] = 1u;
    bytes[1] = (uint8_t)(PG_KIND_START + nth);
    if (below(2u) == 0u) {
        bytes[4] = 0x27u; /* a period that may be */
    }
    switch (below(10u)) {
    case 0u:
        return below(300u);
    case 1u:
        return below((uint32_t)length);
    case 2u:
        return length + 1u + below(30u);
    case 3u:
        bytes[below((uint32_t)length)] = (uint8_t)random32();
        return length;
    default:
        return length;
    }
}

uint32_t port_clock_us(void)
{
    return now_us;
}

void port_lock(void)
{
}

void port_unlock(void)
{
}

void port_advertise(uint16_t interval_625us, const uint8_t *service_data)
{
    if (((interval_625us != 160u) && (interval_625us != 668u)) || (service_data[0] != 1u)) {
        fail("advertising");
    }
}

void port_stop_advertising(void)
{
}

bool port_notify(uint8_t characteristic, const uint8_t *bytes, size_t length)
{
    if (below(4u) == 0u) {
        return false;
    }
    if (characteristic == PG_DATA) {
        look_at_packet(bytes, length);
    }
    if (below(8u) == 0u) {
        pg_app_interval(&app, (uint16_t)below(100u)); /* from inside, as some stacks call */
    }
    return true;
}

bool port_indicate(const uint8_t *bytes, size_t length)
{
    if (below(3u) == 0u) {
        return false;
    }
    look_at_answer(bytes, length);
    return true;
}

void port_ask_interval(const pg_interval *wanted)
{
    if ((wanted->min_1250us > wanted->max_1250us) || (wanted->timeout_10ms != 200u)) {
        fail("interval");
    }
}

void port_hang_up(void)
{
}

void port_power_cells(bool on)
{
    has_tick = on && has_tick;
}

bool port_sample(uint32_t *clock_us, uint16_t *counts)
{
    if (!has_tick || (below(8u) == 0u)) {
        return false;
    }
    has_tick = false;
    *clock_us = now_us - below(3000u);
    for (uint8_t zone = 0u; zone < CONFIG.insole.zones; zone++) {
        counts[zone] = (uint16_t)random32();
    }
    return true;
}

void port_tick_after(uint16_t period_us)
{
    has_tick = period_us >= CONFIG.insole.min_period_us;
    if (!has_tick) {
        fail("period");
    }
}

void port_read_cell(pg_cell *cell)
{
    cell->percent = (uint8_t)random32();
    cell->millivolts = 3900u;
    cell->on_charger = below(50u) == 0u;
}

void port_show(uint8_t seconds)
{
    (void)seconds;
}

uint32_t port_kept(void)
{
    return kept;
}

void port_keep(uint32_t word)
{
    kept = word;
}

uint8_t port_reset_cause(void)
{
    return (uint8_t)below(2u);
}

void port_feed_watchdog(void)
{
}

void port_arm_wake(void)
{
}

void port_ship(void)
{
}

void port_flash_read(uint32_t address, uint8_t *out, size_t length)
{
    if (address + length > sizeof chip) {
        fail("read");
    }
    memcpy(out, chip + address, length);
}

bool port_flash_program(uint32_t address, const uint8_t *bytes, size_t length)
{
    if ((address + length > sizeof chip) || (length > PG_FLASH_PAGE_BYTES)) {
        fail("program");
    }
    memcpy(chip + address, bytes, length);
    return below(8u) != 0u;
}

bool port_flash_erase(uint32_t address)
{
    if (address + 16u * PG_FLASH_PAGE_BYTES > sizeof chip) {
        fail("erase");
    }
    memset(chip + address, 0xFF, 16u * PG_FLASH_PAGE_BYTES);
    return below(4u) != 0u;
}

bool port_flash_is_erased(void)
{
    return below(4u) != 0u;
}

/* The bytes in a block of exactly their length. */
static uint8_t *exactly(const uint8_t *made, size_t length)
{
    uint8_t *const bytes = malloc(length + (length == 0u));
    if (bytes == NULL) {
        exit(3);
    }
    memcpy(bytes, made, length);
    return bytes;
}

/* A page that was written, with a byte changed, cut or grown; or of any bytes, with a CRC that is right. */
static void read_pages(void)
{
    uint8_t made[300];
    pg_log_head head;
    size_t length = below(300u);
    memcpy(made, chip + below(64u) * PG_FLASH_PAGE_BYTES, PG_FLASH_PAGE_BYTES);
    if ((below(2u) == 0u) && (made[0] == 1u)) {
        length = PG_LOG_HEADER_BYTES + made[23] * pg_frame_bytes(made[22], PG_PACKED12);
        length = (length < sizeof made) ? length : sizeof made;
    }
    if (below(2u) == 0u) {
        made[below(28u)] = (uint8_t)random32();
    }
    uint8_t *const bytes = exactly(made, length);
    if (pg_log_read_page(bytes, length, &head)) {
        taken++;
        if ((head.length != length) || (head.frames == 0u) || (head.boot == 0u)) {
            fail("page");
        }
    }
    free(bytes);
}

static void ask_log(pg_log *log)
{
    static const uint8_t WHOLE[20] = {1u, 0x38u, 3u, 0u, 1u, 0u, 0u, 0u, 0u, 0u, 0u, 0u, 0xFFu, 0xFFu};
    uint16_t counts[18];
    uint8_t made[300];
    size_t length = 20u;
    for (size_t k = 0u; k < sizeof made; k++) {
        made[k] = (uint8_t)random32();
    }
    memcpy(made, WHOLE, sizeof WHOLE);
    if (below(2u) == 0u) {
        made[below(20u)] = (uint8_t)random32();
    }
    if (below(4u) == 0u) {
        length = below(300u);
    }
    uint8_t *const bytes = exactly(made, length);
    pg_log_asked(log, bytes, length, below(8u) != 0u);
    free(bytes);
    for (uint8_t zone = 0u; zone < 18u; zone++) {
        counts[zone] = (uint16_t)random32();
    }
    pg_log_start(log);
    pg_log_clock(log, now_us);
    pg_log_frame(log, now_us - below(2000u), (uint16_t)(2500u + below(4u)), counts);
    if (below(300u) == 0u) {
        chip[below((uint32_t)sizeof chip)] = (uint8_t)random32();
        memset(log, 0xA5, sizeof *log);
        (void)pg_log_init(log, &CONFIG.insole, 64u, now_us);
    }
    for (uint8_t turns = 0u; turns < 4u; turns++) {
        size_t said = 0u;
        (void)pg_log_work(log);
        const uint8_t *const message = pg_log_message(log, &said);
        if (message != NULL) {
            pg_log_head head;
            const bool is_end = message[1] == PG_KIND_LOG_END;
            ends += is_end ? 1u : 0u;
            if ((is_end && (said != PG_LOG_END_BYTES)) || (!is_end && !pg_log_read_page(message, said, &head))) {
                fail("log message");
            }
            pg_log_message_done(log);
        }
    }
}

static void happen(void)
{
    switch (below(24u)) {
    case 0u:
        pg_app_connected(&app, (uint16_t)below(100u));
        break;
    case 1u:
        if (below(20u) == 0u) {
            pg_app_disconnected(&app);
        }
        break;
    case 2u:
        pg_app_mtu(&app, (uint16_t)below(600u));
        break;
    case 3u:
    case 4u:
    case 5u:
        pg_app_mtu(&app, 247u);
        for (uint8_t which = 0u; which < PG_CHARACTERISTICS; which++) {
            pg_app_subscribed(&app, which, true);
        }
        break;
    case 6u:
        pg_app_subscribed(&app, (uint8_t)below(256u), below(2u) == 0u);
        break;
    case 7u:
        pg_app_interval_refused(&app);
        break;
    case 8u:
        pg_app_woken(&app);
        break;
    case 9u:
        pg_app_supply_failing(&app);
        break;
    case 10u:
        if (below(2000u) == 0u) {
            pg_app_ship(&app);
        }
        break;
    case 11u:
        if (app.off || (below(500u) == 0u)) {
            memset(&app, 0xA5, sizeof app);
            (void)pg_app_init(&app, &CONFIG);
        }
        break;
    default:
        break;
    }
}

static void write_straight(pg_insole *insole)
{
    uint8_t made[300];
    uint8_t reply[PG_MAX_REPLY];
    const size_t length = make_request(made);
    uint8_t *const bytes = malloc(length + (length == 0u));
    if (bytes == NULL) {
        exit(3);
    }
    memcpy(bytes, made, length);
    look_at_answer(reply, pg_control(insole, random32(), bytes, length, reply));
    free(bytes);
}

int main(int argc, char **argv)
{
    static pg_insole insole;
    static pg_log log;
    uint8_t bytes[300];
    if (argc != 3) {
        return 2;
    }
    state = strtoull(argv[1], NULL, 10) * 2685821657736338717u + 1u;
    const unsigned long writes = strtoul(argv[2], NULL, 10);
    memset(chip, 0xFF, sizeof chip);
    if (!pg_init(&insole, &CONFIG.insole) || !pg_app_init(&app, &CONFIG) || !pg_log_init(&log, &CONFIG.insole, 64u, 0u)) {
        return 2;
    }
    for (unsigned long k = 0u; k < writes; k += 2u) {
        write_straight(&insole);
        const uint8_t error = pg_app_written(&app, now_us, bytes, make_request(bytes));
        if ((error != 0u) && (error != PG_ATT_UNSUBSCRIBED)) {
            fail("error");
        }
        read_pages();
        ask_log(&log);
        happen();
        (void)pg_app_turn(&app);
        now_us += below(100u) == 0u ? random32() >> 8 : below(20000u);
    }
    printf("writes %lu answers %lu packets %lu pages %lu ends %lu", writes, answers, packets, taken, ends);
    printf(" done %lu unknown %lu impossible %lu not_now %lu\n", statuses[0], statuses[1], statuses[2], statuses[3]);
    return 0;
}
