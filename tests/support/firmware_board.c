/*
 * A make-believe board for hardware_notes/firmware/example.c: one turn of the loop is a millisecond.
 *
 * Prints what the host gets: "A" answers, "D" data, "S" a showing. The link has no room from 2000 to 2500 ms, is
 * lost from 3000 to 3200 ms, and the insole goes on its charger at 4500 ms.
 */
#include <stdio.h>
#include <string.h>

#include "plantigrade_insole.h"

#define END_MS 5000u
#define CLOCK_START_US 0xFFF00000u /* wraps after about a second */

bool board_wait(void);
bool board_sample(uint32_t *clock_us, uint16_t *counts);
void board_tick_after(uint16_t period_us);
bool board_notify(const uint8_t *bytes, size_t length);
size_t board_written(uint32_t *clock_us, uint8_t *bytes, size_t room);
void board_indicate(const uint8_t *bytes, size_t length);
bool board_connected(void);
bool board_subscribed(void);
uint16_t board_mtu(void);
bool board_on_charger(void);
uint8_t board_battery_percent(void);
void board_show(uint8_t seconds);
int insole_main(void);

static uint32_t now_ms;
static uint32_t tick_us; /* of the next sample, on a clock that does not wrap in this time */
static bool ticking;
static uint16_t samples;

static const struct {
    uint32_t at_ms;
    size_t length;
    uint8_t bytes[5];
} WRITTEN[] = {
    {10u, 4u, {1u, 0x14u, 7u, 3u}},           /* identify, show for 3 s */
    {20u, 3u, {1u, 0x10u, 8u}},               /* start */
    {1000u, 5u, {1u, 0x12u, 9u, 0x88u, 0x13u}}, /* 200 Hz */
    {1500u, 4u, {1u, 0x13u, 10u, 4u}},        /* 4 frames */
    {1700u, 3u, {1u, 0x15u, 14u}},            /* time */
    {3300u, 3u, {1u, 0x10u, 11u}},            /* start */
    {4000u, 4u, {1u, 0x13u, 12u, 99u}},       /* too many frames */
    {4600u, 3u, {1u, 0x10u, 13u}},            /* start, on the charger */
};

static void print(char what, const uint8_t *bytes, size_t length)
{
    printf("%c %lu ", what, (unsigned long)now_ms);
    for (size_t k = 0u; k < length; k++) {
        printf("%02x", bytes[k]);
    }
    putchar('\n');
}

bool board_wait(void)
{
    now_ms++;
    return now_ms < END_MS;
}

bool board_sample(uint32_t *clock_us, uint16_t *counts)
{
    if (!ticking || now_ms * 1000u < tick_us) {
        return false;
    }
    ticking = false;
    for (uint16_t zone = 0u; zone < 18u; zone++) {
        counts[zone] = (uint16_t)((samples + 17u * zone) % 4096u);
    }
    samples++;
    *clock_us = CLOCK_START_US + tick_us;
    return true;
}

void board_tick_after(uint16_t period_us)
{
    tick_us += period_us;
    if (tick_us + period_us < now_ms * 1000u) {
        tick_us = now_ms * 1000u;
    }
    ticking = true;
}

bool board_notify(const uint8_t *bytes, size_t length)
{
    if (now_ms >= 2000u && now_ms < 2500u) {
        return false;
    }
    print('D', bytes, length);
    return true;
}

size_t board_written(uint32_t *clock_us, uint8_t *bytes, size_t room)
{
    for (size_t k = 0u; k < sizeof WRITTEN / sizeof WRITTEN[0]; k++) {
        if (WRITTEN[k].at_ms == now_ms && WRITTEN[k].length <= room) {
            memcpy(bytes, WRITTEN[k].bytes, WRITTEN[k].length);
            *clock_us = CLOCK_START_US + now_ms * 1000u - 300u; /* it came in a little before the loop looked */
            return WRITTEN[k].length;
        }
    }
    return 0u;
}

void board_indicate(const uint8_t *bytes, size_t length)
{
    print('A', bytes, length);
}

bool board_connected(void)
{
    return now_ms < 3000u || now_ms >= 3200u;
}

uint16_t board_mtu(void)
{
    return (now_ms < 15u || (now_ms >= 3200u && now_ms < 3250u)) ? 23u : 247u;
}

bool board_subscribed(void)
{
    return true;
}

bool board_on_charger(void)
{
    return now_ms >= 4500u;
}

uint8_t board_battery_percent(void)
{
    return (now_ms < 1200u) ? 16u : ((now_ms < 1400u) ? 15u : 16u);
}

void board_show(uint8_t seconds)
{
    print('S', &seconds, 1u);
}

int main(void)
{
    return insole_main();
}
