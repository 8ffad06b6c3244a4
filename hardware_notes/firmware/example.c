/*
 * An insole's main loop. Everything named board_ is yours to write; each of them returns at once, but for
 * board_wait.
 */
#include "plantigrade_insole.h"

#define LOW_PERCENT 15u    /* battery low at this level, ... */
#define ENOUGH_PERCENT 20u /* ... and no longer at this one: a level flickers (ours) */

/* Sleep until an interrupt or a Bluetooth event; false ends the loop (on a real board: never). */
bool board_wait(void);

/* Whether a sample tick was taken since the last call; its time on the free-running clock, and the counts. */
bool board_sample(uint32_t *clock_us, uint16_t *counts);

/* Take the next sample so long after the last one, or, if there was none for longer, at once. */
void board_tick_after(uint16_t period_us);

/* Notify on the data characteristic; false while the stack has no room. */
bool board_notify(const uint8_t *bytes, size_t length);

/*
 * What the host wrote to the control point since the last call, 0 bytes: nothing; the free-running clock's time when
 * it came in, taken in the Bluetooth stack's own callback; and the answer.
 */
size_t board_written(uint32_t *clock_us, uint8_t *bytes, size_t room);
void board_indicate(const uint8_t *bytes, size_t length);

bool board_connected(void);
bool board_subscribed(void); /* to the data characteristic */
uint16_t board_mtu(void); /* of the connection: 23 until host and insole have agreed on more */
bool board_on_charger(void);
uint8_t board_battery_percent(void);
void board_show(uint8_t seconds);

int insole_main(void);

static const pg_config CONFIG = {
    .foot = PG_LEFT,
    .sample_format = PG_PACKED12,
    .zones = 18u,
    .frames = 2u,
    .period_us = 10000u,
    .min_period_us = 2500u,
    .length_mm = 270u,
    .firmware = 0x0100u, /* 1.0 */
    .serial = 1u,        /* each insole has its own */
};

static pg_insole insole;

static void answer_host(void)
{
    uint8_t request[PG_MAX_MESSAGE];
    uint8_t reply[PG_MAX_REPLY];
    uint32_t clock_us = 0u;
    uint8_t show_s;
    const size_t length = board_written(&clock_us, request, sizeof request);
    const bool was_streaming = pg_is_streaming(&insole);
    const size_t answer = pg_control(&insole, clock_us, request, length, reply);
    if (answer > 0u) {
        board_indicate(reply, answer);
    }
    if (pg_take_show(&insole, &show_s)) {
        board_show(show_s);
    }
    if (pg_is_streaming(&insole) && !was_streaming) {
        board_tick_after(pg_period_us(&insole));
    }
}

static void take_sample(void)
{
    uint16_t counts[PG_MAX_ZONES];
    uint32_t clock_us;
    if (board_sample(&clock_us, counts)) {
        (void)pg_push_frame(&insole, clock_us, counts); /* a lost one is counted, and told to the host */
        if (pg_is_streaming(&insole)) {
            board_tick_after(pg_period_us(&insole));
        }
    }
}

static void send_packets(void)
{
    size_t length;
    const uint8_t *packet = pg_packet(&insole, &length);
    while ((packet != NULL) && board_notify(packet, length)) {
        pg_packet_done(&insole);
        packet = pg_packet(&insole, &length);
    }
}

static void watch_battery(void)
{
    static bool low = false;
    const uint8_t percent = board_battery_percent();
    low = percent <= (low ? ENOUGH_PERCENT - 1u : LOW_PERCENT);
    pg_set_battery(&insole, percent, low);
    pg_set_charging(&insole, board_on_charger());
}

int insole_main(void)
{
    bool was_connected = false;
    if (!pg_init(&insole, &CONFIG)) {
        return 1;
    }
    while (board_wait()) {
        const bool connected = board_connected();
        if (was_connected && !connected) {
            pg_link_lost(&insole);
        }
        was_connected = connected;
        watch_battery();
        take_sample();
        if (connected) {
            pg_set_mtu(&insole, board_mtu());
            pg_set_subscribed(&insole, board_subscribed());
            answer_host();
            send_packets();
        }
    }
    return 0;
}
