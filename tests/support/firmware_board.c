/*
 * A make-believe board for hardware_notes/firmware/plantigrade_app.c, on a clock of its own: no real time passes.
 *
 * Reads a script, "MS WHAT NUMBERS" a line in order of time, and prints what the application has the board do, "MS
 * WHAT BYTES". Ends with the script. test_firmware_app.py writes the scripts and knows what must come.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "plantigrade_app.h"

#define MS 1000u
#define NEVER UINT64_MAX
#define DOG_US 16000000u
#define CONFIRMED_AFTER_US 15000u
#define WRITE_WAITED_US 300u /* the stack's callback comes before the loop's turn */

static pg_app app;
static pg_app_config config = {
    .insole = {.foot = PG_LEFT,
               .sample_format = PG_PACKED12,
               .zones = 18u,
               .frames = 2u,
               .period_us = 10000u,
               .min_period_us = 2500u,
               .length_mm = 270u,
               .firmware = 0x0100u,
               .serial = 1u},
    .low_percent = 15u,
    .enough_percent = 20u,
    .empty_mv = 3000u,
    .sleep_after_s = 0u,
#if PG_APP_LOG
    .log_pages = 4096u,
#endif
};

static uint64_t now_us;
static uint32_t clock_start_us;
static uint64_t tick_us = NEVER;
static uint64_t sampled_us;
static uint64_t fed_us;
static uint64_t confirmed_us = NEVER;
static pg_cell cell = {.percent = 87u, .millivolts = 3900u, .on_charger = false};
static uint32_t kept = 0xA5A5A5A5u;
static unsigned long room = 1000000u;
static unsigned long turns;
static unsigned int cause;
static unsigned int locked;
static uint16_t samples;
static bool ticks_come = true;
static bool calls_back;
static bool is_off;

static unsigned long long ms(void)
{
    return now_us / MS;
}

static void say(const char *what, const uint8_t *bytes, size_t length)
{
    printf("%llu %s ", ms(), what);
    for (size_t k = 0u; k < length; k++) {
        printf("%02x", bytes[k]);
    }
    putchar('\n');
}

/* The stack may call an event from inside any port function, so none may be called under the lock. */
static void outside_lock(void)
{
    if (locked != 0u) {
        fputs("board: a port function under the lock\n", stderr);
        exit(5);
    }
}

uint32_t port_clock_us(void)
{
    return (uint32_t)(clock_start_us + now_us);
}

void port_lock(void)
{
    outside_lock();
    locked++;
}

void port_unlock(void)
{
    locked--;
    outside_lock();
}

void port_advertise(uint16_t interval_625us, const uint8_t *service_data)
{
    outside_lock();
    printf("%llu advertise %u ", ms(), interval_625us);
    for (size_t k = 0u; k < PG_ANNOUNCEMENT_BYTES; k++) {
        printf("%02x", service_data[k]);
    }
    putchar('\n');
}

void port_stop_advertising(void)
{
    outside_lock();
    printf("%llu quiet\n", ms());
}

bool port_notify(uint8_t characteristic, const uint8_t *bytes, size_t length)
{
    static const char *const NAMES[] = {"data", "point", "status", "battery", "log"};
    outside_lock();
    if (room == 0u) {
        return false;
    }
    room--;
    say(NAMES[characteristic], bytes, length);
    if (calls_back) {
        (void)pg_app_turn(&app); /* the mistake: a turn from the stack's own callback, before notify has returned */
    }
    return true;
}

bool port_indicate(const uint8_t *bytes, size_t length)
{
    outside_lock();
    if (confirmed_us != NEVER) {
        return false;
    }
    confirmed_us = now_us + CONFIRMED_AFTER_US;
    say("answer", bytes, length);
    return true;
}

void port_ask_interval(const pg_interval *wanted)
{
    outside_lock();
    printf("%llu ask %u %u %u %u\n", ms(), wanted->min_1250us, wanted->max_1250us, wanted->latency,
           wanted->timeout_10ms);
}

void port_hang_up(void)
{
    outside_lock();
    printf("%llu hang_up\n", ms());
}

void port_power_cells(bool on)
{
    outside_lock();
    printf("%llu cells %d\n", ms(), on);
    tick_us = NEVER;
}

bool port_sample(uint32_t *clock_us, uint16_t *counts)
{
    if (!ticks_come || (now_us < tick_us)) {
        return false;
    }
    sampled_us = tick_us;
    tick_us = NEVER;
    for (uint16_t zone = 0u; zone < config.insole.zones; zone++) {
        counts[zone] = (uint16_t)((samples + 17u * zone) % 4096u);
    }
    samples++;
    *clock_us = (uint32_t)(clock_start_us + sampled_us);
    return true;
}

void port_tick_after(uint16_t period_us)
{
    tick_us = sampled_us + period_us;
    if (tick_us + period_us < now_us) {
        tick_us = now_us;
    }
}

void port_read_cell(pg_cell *said)
{
    said->percent = cell.percent;
    said->millivolts = cell.millivolts;
    said->on_charger = cell.on_charger;
}

void port_show(uint8_t seconds)
{
    printf("%llu show %u\n", ms(), seconds);
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
    return (uint8_t)cause;
}

void port_feed_watchdog(void)
{
    fed_us = now_us;
}

void port_arm_wake(void)
{
    printf("%llu asleep\n", ms());
}

void port_ship(void)
{
    printf("%llu off\n", ms());
    is_off = true;
}

#if PG_APP_LOG
static uint8_t chip[4096u * PG_FLASH_PAGE_BYTES];
static uint64_t erased_us;

void port_flash_read(uint32_t address, uint8_t *out, size_t length)
{
    outside_lock();
    memcpy(out, chip + address, length);
}

bool port_flash_program(uint32_t address, const uint8_t *bytes, size_t length)
{
    for (size_t k = 0u; k < length; k++) {
        if (chip[address + k] != 0xFFu) {
            fputs("board: programmed twice\n", stderr);
            exit(6);
        }
        chip[address + k] = bytes[k];
    }
    return true;
}

bool port_flash_erase(uint32_t address)
{
    memset(chip + address, 0xFF, PG_SECTOR_PAGES * PG_FLASH_PAGE_BYTES);
    erased_us = now_us + 60000u; /* a sector's usual time: common, from memory */
    return true;
}

bool port_flash_is_erased(void)
{
    return now_us >= erased_us;
}
#endif

static void begin(void)
{
    uint8_t status[PG_STATUS_BYTES];
    memset(&app, 0xA5, sizeof app); /* as memory may be found after a reset */
    tick_us = NEVER;
    confirmed_us = NEVER;
    is_off = false;
    fed_us = now_us;
    if (!pg_app_init(&app, &config)) {
        fputs("board: impossible configuration\n", stderr);
        exit(4);
    }
    pg_app_read_status(&app, status);
    say("begin", status, sizeof status);
}

static void do_write(const char *hex, bool to_log)
{
    const size_t length = (hex[0] == '-') ? 0u : strcspn(hex, "\n") / 2u;
    uint8_t *const bytes = malloc(length + 1u);
    if (bytes == NULL) {
        exit(3);
    }
    for (size_t k = 0u; k < length; k++) {
        unsigned int byte = 0u;
        if (sscanf(hex + 2u * k, "%2x", &byte) != 1) {
            exit(2);
        }
        bytes[k] = (uint8_t)byte;
    }
#if PG_APP_LOG
    const unsigned int error =
        to_log ? pg_app_log_written(&app, bytes, length) : pg_app_written(&app, port_clock_us(), bytes, length);
#else
    const unsigned int error = to_log ? 0u : pg_app_written(&app, port_clock_us(), bytes, length);
#endif
    if (error != 0u) {
        printf("%llu refused %02x\n", ms(), error);
    }
    now_us += WRITE_WAITED_US;
    free(bytes);
}

static bool is(const char *word, const char *name)
{
    return strcmp(word, name) == 0;
}

static void happen(const char *what, const char *rest)
{
    unsigned long a = 0u;
    unsigned long b = 0u;
    (void)sscanf(rest, "%lu %lu", &a, &b);
    if (is(what, "connect")) {
        pg_app_connected(&app, (uint16_t)a);
    } else if (is(what, "drop")) {
        pg_app_disconnected(&app);
        confirmed_us = NEVER;
    } else if (is(what, "mtu")) {
        pg_app_mtu(&app, (uint16_t)a);
    } else if (is(what, "subscribe")) {
        pg_app_subscribed(&app, (uint8_t)a, b != 0u);
    } else if (is(what, "write")) {
        do_write(rest, false);
    } else if (is(what, "log_write")) {
        do_write(rest, true);
#if PG_APP_LOG
    } else if (is(what, "log_state")) {
        uint8_t state[PG_LOG_STATE_BYTES];
        pg_app_read_log(&app, state);
        say("log_state", state, sizeof state);
    } else if (is(what, "new_chip")) {
        memset(chip, 0xFF, sizeof chip);
#endif
    } else if (is(what, "interval")) {
        pg_app_interval(&app, (uint16_t)a);
    } else if (is(what, "refuse")) {
        pg_app_interval_refused(&app);
    } else if (is(what, "wake")) {
        pg_app_woken(&app);
    } else if (is(what, "failing")) {
        pg_app_supply_failing(&app);
    } else if (is(what, "ship")) {
        pg_app_ship(&app);
    } else if (is(what, "battery")) {
        cell.percent = (uint8_t)a;
        cell.millivolts = (uint16_t)b;
    } else if (is(what, "charger")) {
        cell.on_charger = a != 0u;
    } else if (is(what, "room")) {
        room = a;
    } else if (is(what, "ticks")) {
        ticks_come = a != 0u;
    } else if (is(what, "calls_back")) {
        calls_back = a != 0u;
    } else if (is(what, "kept")) {
        kept = (uint32_t)a;
    } else if (is(what, "clock")) {
        clock_start_us = (uint32_t)a;
    } else if (is(what, "sleep_after")) {
        config.sleep_after_s = (uint16_t)a;
    } else if (is(what, "reset")) {
        cause = (unsigned int)a;
        begin();
    } else if (is(what, "turns")) {
        printf("%llu turns %lu\n", ms(), turns);
    } else if (is(what, "status")) {
        uint8_t status[PG_STATUS_BYTES];
        pg_app_read_status(&app, status);
        say("value", status, sizeof status);
    } else if (is(what, "size")) {
        printf("%llu size %lu\n", ms(), (unsigned long)sizeof app);
    } else if (!is(what, "nothing")) {
        fprintf(stderr, "board: what is %s?\n", what);
        exit(2);
    }
}

static uint64_t least(uint64_t a, uint64_t b)
{
    return (a < b) ? a : b;
}

/* Let the loop run until a time: it sleeps until the tick, the confirmation, the dog, or as long as a turn said. */
static void run_until(uint64_t end_us)
{
    for (;;) {
        uint64_t next_us = NEVER;
        if (!is_off) {
            const uint32_t wait_us = pg_app_turn(&app);
            turns++;
            next_us = least(ticks_come ? tick_us : NEVER, confirmed_us);
            if (wait_us != PG_FOR_EVER) {
                next_us = least(next_us, now_us + wait_us);
            }
            next_us = least(next_us, fed_us + DOG_US);
        }
        if (next_us > end_us) {
            now_us = (end_us > now_us) ? end_us : now_us;
            return;
        }
        now_us = (next_us > now_us) ? next_us : now_us;
        if (confirmed_us <= now_us) {
            confirmed_us = NEVER;
        }
        if (!is_off && (now_us - fed_us >= DOG_US)) {
            printf("%llu bite\n", ms());
            cause = PG_RESET_FAULT;
            begin();
        }
    }
}

int main(void)
{
    static char line[2048];
    bool has_begun = false;
    while (fgets(line, sizeof line, stdin) != NULL) {
        char what[32] = "";
        int read = 0;
        unsigned long long at_ms = 0u;
        if (sscanf(line, "%llu %31s %n", &at_ms, what, &read) < 2) {
            fprintf(stderr, "board: what is %s", line);
            return 2;
        }
        if (has_begun && (at_ms * MS > now_us)) {
            run_until(at_ms * MS - 1u);
            now_us = at_ms * MS;
        }
        happen(what, line + read);
        has_begun = has_begun || is(what, "reset");
    }
    run_until(now_us);
    return 0;
}
