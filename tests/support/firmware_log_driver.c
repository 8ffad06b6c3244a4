/*
 * Drives the firmware's log from a script, over a flash chip in memory: an erase sets a sector's bits and takes some
 * turns, programming only clears bits. One operation a line on standard input, its answer on standard output.
 * test_firmware_log.py writes the scripts and knows the answers.
 */
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "plantigrade_log.h"

#define MOST_PAGES 32768u
#define WHOLE 0xFFFFFFFFu

static pg_config config = {.foot = PG_LEFT, .sample_format = PG_PACKED12, .zones = 18u, .frames = 2u,
                           .period_us = 10000u, .min_period_us = 1000u};
static pg_log keeper;
static uint8_t chip[MOST_PAGES * PG_FLASH_PAGE_BYTES];
static uint32_t pages, erasing, erase_turns, erases, start_us;
static uint32_t torn_bytes = WHOLE; /* of the next page that is programmed; then the power is cut */
static bool torn_erase;             /* the next erase is cut in its middle, and the power with it */
static jmp_buf power;

void port_flash_read(uint32_t address, uint8_t *out, size_t length)
{
    if (address + length > pages * PG_FLASH_PAGE_BYTES) {
        fputs("driver: a read beyond the chip\n", stderr);
        exit(4);
    }
    memcpy(out, chip + address, length);
}

bool port_flash_program(uint32_t address, const uint8_t *bytes, size_t length)
{
    const size_t whole = (torn_bytes < length) ? torn_bytes : length;
    if ((address % PG_FLASH_PAGE_BYTES != 0u) || (length > PG_FLASH_PAGE_BYTES) ||
        (address >= pages * PG_FLASH_PAGE_BYTES)) {
        fputs("driver: a page out of place\n", stderr);
        exit(4);
    }
    for (size_t k = 0u; k < whole; k++) {
        if (chip[address + k] != 0xFFu) {
            fputs("driver: programmed twice\n", stderr);
            exit(5);
        }
        chip[address + k] = (uint8_t)(chip[address + k] & bytes[k]);
    }
    if (torn_bytes != WHOLE) {
        torn_bytes = WHOLE;
        longjmp(power, 1);
    }
    return true;
}

bool port_flash_erase(uint32_t address)
{
    const size_t bytes = PG_SECTOR_PAGES * PG_FLASH_PAGE_BYTES;
    if ((address % bytes != 0u) || (address + bytes > pages * PG_FLASH_PAGE_BYTES)) {
        fputs("driver: a sector out of place\n", stderr);
        exit(4);
    }
    erases++;
    if (torn_erase) {
        torn_erase = false;
        for (size_t k = 0u; k < bytes; k++) { /* bits come up one by one: any of them may be set already */
            chip[address + k] = (uint8_t)(chip[address + k] | (uint8_t)rand());
        }
        longjmp(power, 1);
    }
    memset(chip + address, 0xFF, bytes);
    erasing = erase_turns;
    return true;
}

bool port_flash_is_erased(void)
{
    return erasing == 0u;
}

static unsigned long number(void)
{
    const char *const word = strtok(NULL, " \n");
    if (word == NULL) {
        exit(2);
    }
    return strtoul(word, NULL, 10);
}

static size_t read_hex(uint8_t *bytes, size_t room)
{
    const char *const hex = strtok(NULL, " \n");
    const size_t length = (hex == NULL) ? 0u : strlen(hex) / 2u;
    for (size_t k = 0u; (k < length) && (k < room); k++) {
        unsigned int byte = 0u;
        if (sscanf(hex + 2u * k, "%2x", &byte) != 1) {
            exit(2);
        }
        bytes[k] = (uint8_t)byte;
    }
    return length;
}

static void print_hex(const uint8_t *bytes, size_t length)
{
    for (size_t k = 0u; k < length; k++) {
        printf("%02x", bytes[k]);
    }
    putchar((length == 0u) ? '-' : ' ');
}

/* Turns of the loop, until nothing is left to do or so many. */
static void work(unsigned long turns)
{
    for (unsigned long k = 0u; k < turns; k++) {
        const bool more = pg_log_work(&keeper);
        erasing -= (erasing > 0u) ? 1u : 0u;
        if (!more) {
            return;
        }
    }
}

static void begin(void)
{
    memset(&keeper, 0xA5, sizeof keeper); /* as memory may be found after a reset */
    erasing = 0u;
    if (!pg_log_init(&keeper, &config, pages, start_us)) {
        exit(3);
    }
}

static void do_frame(void)
{
    const uint32_t clock_us = (uint32_t)number();
    const uint16_t period_us = (uint16_t)number();
    uint16_t counts[PG_MAX_ZONES];
    for (uint8_t zone = 0u; zone < config.zones; zone++) {
        counts[zone] = (uint16_t)number();
    }
    pg_log_clock(&keeper, clock_us);
    pg_log_frame(&keeper, clock_us, period_us, counts);
    work(40u);
}

/* All that a request brings. */
static void do_ask(void)
{
    uint8_t bytes[300];
    const bool fits = number() != 0u;
    const size_t length = read_hex(bytes, sizeof bytes);
    uint8_t *const exact = malloc(length + (length == 0u));
    size_t said = 0u;
    if (exact == NULL) {
        exit(3);
    }
    memcpy(exact, bytes, length);
    pg_log_asked(&keeper, exact, length, fits);
    free(exact);
    for (;;) {
        const uint8_t *message = pg_log_message(&keeper, &said);
        if (message == NULL) {
            if (!pg_log_work(&keeper)) {
                message = pg_log_message(&keeper, &said);
            }
            if (message == NULL) {
                if (!keeper.asked) {
                    break;
                }
                continue;
            }
        }
        print_hex(message, said);
        pg_log_message_done(&keeper);
    }
}

static void do_check(void)
{
    uint8_t bytes[600];
    pg_log_head head;
    const size_t length = read_hex(bytes, sizeof bytes);
    uint8_t *const exact = malloc(length + (length == 0u));
    if (exact == NULL) {
        exit(3);
    }
    memcpy(exact, bytes, length);
    if (pg_log_read_page(exact, length, &head)) {
        printf("%u %u %u %u %lu %llu", head.flags, head.frames, head.boot, head.period_us, (unsigned long)head.page,
               (unsigned long long)head.clock_us);
    } else {
        printf("refused");
    }
    free(exact);
}

static void obey(const char *what)
{
    uint8_t bytes[PG_FLASH_PAGE_BYTES];
    if (strcmp(what, "chip") == 0) {
        pages = (uint32_t)number();
        erase_turns = (uint32_t)number();
        config.foot = (uint8_t)number();
        config.sample_format = (uint8_t)number();
        config.zones = (uint8_t)number();
        start_us = (uint32_t)number();
        memset(chip, 0xFF, sizeof chip);
        begin();
        start_us = 0u;
    } else if (strcmp(what, "reset") == 0) {
        begin();
        printf("%u", pg_log_resumes_us(&keeper));
    } else if (strcmp(what, "frame") == 0) {
        do_frame();
    } else if (strcmp(what, "start") == 0) {
        pg_log_start(&keeper);
    } else if (strcmp(what, "stop") == 0) {
        pg_log_stop(&keeper);
        work(40u);
        printf("%d", pg_log_is_logging(&keeper));
    } else if (strcmp(what, "link_lost") == 0) {
        pg_log_link_lost(&keeper);
    } else if (strcmp(what, "state") == 0) {
        pg_log_read_state(&keeper, (uint32_t)number(), bytes);
        print_hex(bytes, PG_LOG_STATE_BYTES);
    } else if (strcmp(what, "ask") == 0) {
        do_ask();
    } else if (strcmp(what, "check") == 0) {
        do_check();
    } else if (strcmp(what, "crc") == 0) {
        printf("%lu", (unsigned long)pg_crc32(0u, (const uint8_t *)"123456789", 9u));
    } else if (strcmp(what, "tear") == 0) {
        torn_bytes = (uint32_t)number();
    } else if (strcmp(what, "tear_erase") == 0) {
        torn_erase = true;
    } else if (strcmp(what, "noise") == 0) { /* bytes of any kind in a slot */
        const uint32_t slot = (uint32_t)number() % pages;
        (void)read_hex(chip + slot * PG_FLASH_PAGE_BYTES, PG_FLASH_PAGE_BYTES);
    } else if (strcmp(what, "erases") == 0) {
        printf("%lu", (unsigned long)erases);
    } else if (strcmp(what, "size") == 0) {
        printf("%lu", (unsigned long)sizeof keeper);
    } else {
        exit(2);
    }
}

int main(void)
{
    static char line[8192];
    while (fgets(line, sizeof line, stdin) != NULL) {
        const char *const what = strtok(line, " \n");
        if (what == NULL) {
            continue;
        }
        if (setjmp(power) == 0) {
            obey(what);
            putchar('\n');
        } else {
            begin();
            printf("cut\n");
        }
    }
    return 0;
}
