/*
 * The application as a process of this machine: the port layer behind pipes. Whoever starts it owns the radio and the
 * GATT server, and talks with it in frames on standard input and output (README.md beside this file).
 *
 *     companion FOOT SERIAL CLOCK_US RATE SPEED BODY_US COUNTS KEPT CAUSE CHIP
 *
 * FOOT 0 left, 1 right; the clock begins at CLOCK_US and runs RATE parts per million of this machine's; a body whose
 * counts at 400 Hz are in the file COUNTS, eighteen u16 a row, over and over, was BODY_US old then and lives SPEED parts
 * per million as fast; KEPT is the file of the word that outlives a reset, CAUSE that of this one; CHIP is the
 * file of a flash chip of LOG_PAGES pages, made where there is none.
 */
#define _POSIX_C_SOURCE 200809L

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "plantigrade_app.h"
#include "plantigrade_info.h"

#define ZONES 18u
#define ROW_US 2500u
#define MILLION 1000000u
#define HEAD_BYTES 3u
#define LOG_PAGES 32768u
#define CHIP_BYTES ((size_t)LOG_PAGES * PG_FLASH_PAGE_BYTES)
#define MOST_UNDER_WAY 8u /* notifications that the other side has not said to be on their way */
#define NEVER UINT64_MAX

/* Frames: what, length (2 bytes), bytes. From the other side: */
#define CONNECTED 'C'    /* interval_1250us */
#define DISCONNECTED 'D' /* nothing */
#define MTU 'M'          /* att_mtu */
#define SUBSCRIBED 'S'   /* characteristic, on */
#define WRITTEN 'W'      /* the request */
#define LOG_WRITTEN 'L'  /* the request */
#define LOG_READ 'G'     /* nothing; the state is read */
#define SENT 'N'         /* nothing: a notification is on its way */
#define CONFIRMED 'I'    /* nothing */
#define INTERVAL 'V'     /* interval_1250us */
#define REFUSED 'R'      /* nothing */
#define CELL 'B'         /* percent, millivolts (2), charger */
#define WOKEN 'K'        /* nothing */
#define FAILING 'F'      /* nothing */
#define SHIP 'X'         /* nothing */
/* To the other side: */
#define ADVERTISE 'a'     /* interval_625us, service data */
#define QUIET 'q'         /* nothing */
#define NOTIFY 'n'        /* characteristic, value */
#define INDICATE 'i'      /* value */
#define ANSWERED 'w'      /* ATT error of a write, 0: none */
#define ASK 'v'           /* min, max, latency, timeout */
#define HANG_UP 'h'       /* nothing */
#define STATUS_VALUE 's'  /* the status, whenever it has changed */
#define INFORMATION 'o'   /* once */
#define SHOW 'l'          /* seconds */
#define LOG_STATE 'g'     /* the state */
#define OFF 'x'           /* nothing */

static pg_app app;
static pg_app_config config = {
    .insole = {.sample_format = PG_PACKED12, .zones = ZONES, .frames = 2u, .period_us = 10000u,
               .min_period_us = ROW_US, .length_mm = 270u, .firmware = 0x0100u},
    .low_percent = 15u,
    .enough_percent = 20u,
    .empty_mv = 3000u,
    .sleep_after_s = 0u,
    .log_pages = LOG_PAGES,
};
static struct timespec begun;
static uint64_t zero_us, rate, speed, body_us;
static uint64_t tick_us = NEVER; /* since the beginning, on the insole's clock */
static uint64_t sampled_us;
static bool ran_dry; /* no samples were taken for a while: the next one at once */
static uint16_t *rows;
static size_t row_count;
static const char *kept_path;
static uint8_t cause;
static unsigned int under_way;
static bool indicating;
static uint8_t *chip;
static FILE *chip_file;
static pg_cell measured = {.percent = 87u, .millivolts = 3900u, .on_charger = false};

static void die(const char *why)
{
    fprintf(stderr, "companion: %s\n", why);
    exit(1);
}

static void say(uint8_t what, const uint8_t *bytes, size_t length)
{
    uint8_t frame[HEAD_BYTES + PG_MAX_VALUE];
    size_t done = 0u;
    frame[0] = what;
    pg_put16(frame + 1, (uint16_t)length);
    if (length > 0u) {
        memcpy(frame + HEAD_BYTES, bytes, length);
    }
    while (done < HEAD_BYTES + length) {
        const ssize_t put = write(STDOUT_FILENO, frame + done, HEAD_BYTES + length - done);
        if (put > 0) {
            done += (size_t)put;
        } else if (errno != EINTR) {
            exit(0); /* the other side is gone */
        }
    }
}

/* Since the beginning, on the insole's clock. */
static uint64_t own_us(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    const int64_t us = (int64_t)(now.tv_sec - begun.tv_sec) * 1000000 + (now.tv_nsec - begun.tv_nsec) / 1000;
    return (uint64_t)us * rate / MILLION;
}

uint32_t port_clock_us(void)
{
    return (uint32_t)(zero_us + own_us());
}

void port_lock(void)
{
}

void port_unlock(void)
{
}

void port_advertise(uint16_t interval_625us, const uint8_t *service_data)
{
    uint8_t bytes[2u + PG_ANNOUNCEMENT_BYTES];
    pg_put16(bytes, interval_625us);
    memcpy(bytes + 2, service_data, PG_ANNOUNCEMENT_BYTES);
    say(ADVERTISE, bytes, sizeof bytes);
}

void port_stop_advertising(void)
{
    say(QUIET, NULL, 0u);
}

bool port_notify(uint8_t characteristic, const uint8_t *bytes, size_t length)
{
    uint8_t value[1u + PG_MAX_MESSAGE];
    if (under_way >= MOST_UNDER_WAY) {
        return false;
    }
    under_way++;
    value[0] = characteristic;
    memcpy(value + 1, bytes, length);
    say(NOTIFY, value, 1u + length);
    return true;
}

bool port_indicate(const uint8_t *bytes, size_t length)
{
    if (indicating) {
        return false;
    }
    indicating = true;
    say(INDICATE, bytes, length);
    return true;
}

void port_ask_interval(const pg_interval *wanted)
{
    uint8_t bytes[8];
    pg_put16(bytes, wanted->min_1250us);
    pg_put16(bytes + 2, wanted->max_1250us);
    pg_put16(bytes + 4, wanted->latency);
    pg_put16(bytes + 6, wanted->timeout_10ms);
    say(ASK, bytes, sizeof bytes);
}

void port_hang_up(void)
{
    say(HANG_UP, NULL, 0u);
}

void port_power_cells(bool on)
{
    (void)on;
    tick_us = NEVER;
    ran_dry = true;
}

/* Each tick's sample is taken, late or not: a busy machine makes it late, and a board's interrupt would not. */
bool port_sample(uint32_t *clock_us, uint16_t *counts)
{
    if (own_us() < tick_us) {
        return false;
    }
    sampled_us = tick_us;
    tick_us = NEVER;
    const uint64_t body = body_us + sampled_us * speed / rate;
    memcpy(counts, rows + ZONES * (body / ROW_US % row_count), ZONES * sizeof *counts);
    *clock_us = (uint32_t)(zero_us + sampled_us);
    return true;
}

void port_tick_after(uint16_t period_us)
{
    tick_us = sampled_us + period_us;
    if (ran_dry && (tick_us < own_us())) {
        tick_us = own_us();
    }
    ran_dry = false;
}

void port_read_cell(pg_cell *cell)
{
    *cell = measured;
}

void port_show(uint8_t seconds)
{
    say(SHOW, &seconds, 1u);
}

uint32_t port_kept(void)
{
    uint32_t word = 0u;
    FILE *const file = fopen(kept_path, "rb");
    if (file != NULL) {
        if (fread(&word, sizeof word, 1u, file) != 1u) {
            word = 0u;
        }
        (void)fclose(file);
    }
    return word;
}

void port_keep(uint32_t word)
{
    FILE *const file = fopen(kept_path, "wb");
    if ((file == NULL) || (fwrite(&word, sizeof word, 1u, file) != 1u) || (fclose(file) != 0)) {
        die("the kept word cannot be written");
    }
}

uint8_t port_reset_cause(void)
{
    return cause;
}

void port_feed_watchdog(void)
{
}

void port_arm_wake(void)
{
}

void port_ship(void)
{
    say(OFF, NULL, 0u);
}

static void keep_chip(uint32_t address, size_t length)
{
    if ((fseek(chip_file, (long)address, SEEK_SET) != 0) ||
        (fwrite(chip + address, 1u, length, chip_file) != length) || (fflush(chip_file) != 0)) {
        die("the flash chip's file cannot be written");
    }
}

void port_flash_read(uint32_t address, uint8_t *out, size_t length)
{
    memcpy(out, chip + address, length);
}

bool port_flash_program(uint32_t address, const uint8_t *bytes, size_t length)
{
    for (size_t k = 0u; k < length; k++) {
        chip[address + k] = (uint8_t)(chip[address + k] & bytes[k]); /* programming only clears bits */
    }
    keep_chip(address, length);
    return true;
}

bool port_flash_erase(uint32_t address)
{
    memset(chip + address, 0xFF, PG_SECTOR_PAGES * PG_FLASH_PAGE_BYTES);
    keep_chip(address, PG_SECTOR_PAGES * PG_FLASH_PAGE_BYTES);
    return true;
}

bool port_flash_is_erased(void)
{
    return true;
}

static void open_chip(const char *path)
{
    chip = malloc(CHIP_BYTES);
    chip_file = fopen(path, "r+b");
    if (chip == NULL) {
        die("no memory for the flash chip");
    }
    memset(chip, 0xFF, CHIP_BYTES);
    if (chip_file == NULL) {
        chip_file = fopen(path, "w+b");
    } else if (fread(chip, 1u, CHIP_BYTES, chip_file) != CHIP_BYTES) {
        die("the flash chip's file is short");
    }
    if (chip_file == NULL) {
        die("the flash chip's file cannot be made");
    }
    keep_chip(0u, CHIP_BYTES);
}

static void hear(uint8_t what, const uint8_t *bytes, size_t length)
{
    static const struct {
        char what;
        size_t bytes;
    } LENGTHS[] = {{CONNECTED, 2u}, {DISCONNECTED, 0u}, {MTU, 2u},      {SUBSCRIBED, 2u}, {SENT, 0u},    {CONFIRMED, 0u},
                   {INTERVAL, 2u},  {REFUSED, 0u},      {CELL, 4u},     {WOKEN, 0u},      {FAILING, 0u}, {SHIP, 0u}};
    if (what == WRITTEN) {
        const uint8_t error = pg_app_written(&app, port_clock_us(), bytes, length);
        say(ANSWERED, &error, 1u);
        return;
    }
    if (what == LOG_WRITTEN) {
        const uint8_t error = pg_app_log_written(&app, bytes, length);
        say(ANSWERED, &error, 1u);
        return;
    }
    if (what == LOG_READ) {
        uint8_t state[PG_LOG_STATE_BYTES];
        pg_app_read_log(&app, state);
        say(LOG_STATE, state, sizeof state);
        return;
    }
    for (size_t k = 0u; k < sizeof LENGTHS / sizeof LENGTHS[0]; k++) {
        if ((LENGTHS[k].what == (char)what) && (LENGTHS[k].bytes != length)) {
            die("a frame of another length");
        }
    }
    switch (what) {
    case CONNECTED:
        pg_app_connected(&app, pg_get16(bytes));
        break;
    case DISCONNECTED:
        under_way = 0u;
        indicating = false;
        pg_app_disconnected(&app);
        break;
    case MTU:
        pg_app_mtu(&app, pg_get16(bytes));
        break;
    case SUBSCRIBED:
        pg_app_subscribed(&app, bytes[0], bytes[1] != 0u);
        break;
    case SENT:
        under_way -= (under_way > 0u) ? 1u : 0u;
        break;
    case CONFIRMED:
        indicating = false;
        break;
    case INTERVAL:
        pg_app_interval(&app, pg_get16(bytes));
        break;
    case REFUSED:
        pg_app_interval_refused(&app);
        break;
    case CELL:
        measured.percent = bytes[0];
        measured.millivolts = pg_get16(bytes + 1);
        measured.on_charger = bytes[3] != 0u;
        break;
    case WOKEN:
        pg_app_woken(&app);
        break;
    case FAILING:
        pg_app_supply_failing(&app);
        break;
    case SHIP:
        pg_app_ship(&app);
        break;
    default:
        die("a frame of no known kind");
    }
}

/* Take what came; whole frames are heard, the rest waits for more. */
static void listen(void)
{
    static uint8_t bytes[4096];
    static size_t held;
    size_t at = 0u;
    const ssize_t got = read(STDIN_FILENO, bytes + held, sizeof bytes - held);
    if (got == 0) {
        exit(0); /* the other side is gone */
    }
    if (got < 0) {
        if (errno == EINTR) {
            return;
        }
        die("standard input cannot be read");
    }
    held += (size_t)got;
    while (held - at >= HEAD_BYTES) {
        const size_t length = pg_get16(bytes + at + 1);
        if (length > PG_MAX_VALUE) {
            die("a frame that is too long");
        }
        if (held - at < HEAD_BYTES + length) {
            break;
        }
        hear(bytes[at], bytes + at + HEAD_BYTES, length);
        at += HEAD_BYTES + length;
    }
    memmove(bytes, bytes + at, held - at);
    held -= at;
}

static void say_status(void)
{
    static uint8_t told[PG_STATUS_BYTES];
    uint8_t status[PG_STATUS_BYTES];
    pg_app_read_status(&app, status);
    if (memcmp(told, status, sizeof told) != 0) {
        memcpy(told, status, sizeof told);
        say(STATUS_VALUE, status, sizeof status);
    }
}

static void say_information(void)
{
    static const pg_information SAID = {.zones = ZONES, .bits = 12u, .table = NULL, .hardware = 2u, .firmware = 0x0100u};
    uint8_t value[PG_MAX_VALUE];
    const size_t length = pg_write_information(value, sizeof value, &SAID);
    say(INFORMATION, value, length);
}

static void read_rows(const char *path)
{
    FILE *const file = fopen(path, "rb");
    long bytes = 0;
    if ((file == NULL) || (fseek(file, 0, SEEK_END) != 0)) {
        die("the file of counts cannot be read");
    }
    bytes = ftell(file);
    row_count = (bytes > 0) ? (size_t)bytes / (ZONES * sizeof *rows) : 0u;
    rows = malloc((row_count > 0u) ? row_count * ZONES * sizeof *rows : 1u);
    rewind(file);
    if ((rows == NULL) || (row_count == 0u) || (fread(rows, ZONES * sizeof *rows, row_count, file) != row_count)) {
        die("the file of counts holds no whole row");
    }
    (void)fclose(file);
}

/* Sleep until a frame comes, a sample is due, or so long. */
static void rest(uint32_t wait_us)
{
    struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN, .revents = 0};
    const uint64_t now = own_us();
    uint64_t us = wait_us;
    if (tick_us != NEVER) {
        const uint64_t due = (tick_us > now) ? tick_us - now : 0u;
        us = (due < us) ? due : us;
    }
    us = us * MILLION / rate;
    if (us > 8000000u) {
        us = 8000000u;
    }
    if (poll(&input, 1u, (int)((us + 999u) / 1000u)) > 0) {
        listen();
    }
}

int main(int argc, char **argv)
{
    if (argc != 11) {
        die("expected FOOT SERIAL CLOCK_US RATE SPEED BODY_US COUNTS KEPT CAUSE CHIP");
    }
    config.insole.foot = (uint8_t)strtoul(argv[1], NULL, 10);
    config.insole.serial = (uint32_t)strtoul(argv[2], NULL, 10);
    zero_us = strtoull(argv[3], NULL, 10);
    rate = strtoull(argv[4], NULL, 10);
    speed = strtoull(argv[5], NULL, 10);
    body_us = strtoull(argv[6], NULL, 10);
    read_rows(argv[7]);
    kept_path = argv[8];
    cause = (uint8_t)strtoul(argv[9], NULL, 10);
    open_chip(argv[10]);
    (void)clock_gettime(CLOCK_MONOTONIC, &begun);
    if ((rate == 0u) || !pg_app_init(&app, &config)) {
        die("the configuration cannot be");
    }
    say_information();
    for (;;) {
        const uint32_t wait_us = pg_app_turn(&app);
        say_status();
        rest(wait_us);
    }
}
