#include "app.h"

#include "plantigrade_app.h"

#define TICK_US 10000u

static pg_app app;
static uint32_t now_us, kept;
static bool has_tick;

static const pg_app_config CONFIG = {
    .insole = {.foot = PG_LEFT, .sample_format = PG_PACKED12, .zones = 18u, .frames = 2u, .period_us = TICK_US,
               .min_period_us = 2500u, .length_mm = 270u, .firmware = 0x0100u, .serial = 1u},
    .low_percent = 15u,
    .enough_percent = 20u,
    .empty_mv = 3000u,
    .sleep_after_s = 600u,
};

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
    (void)interval_625us;
    (void)service_data;
}

void port_stop_advertising(void)
{
}

bool port_notify(uint8_t characteristic, const uint8_t *bytes, size_t length)
{
    (void)characteristic;
    (void)bytes;
    (void)length;
    return true;
}

bool port_indicate(const uint8_t *bytes, size_t length)
{
    (void)bytes;
    (void)length;
    return true;
}

void port_ask_interval(const pg_interval *wanted)
{
    (void)wanted;
}

void port_hang_up(void)
{
}

void port_power_cells(bool on)
{
    (void)on;
}

bool port_sample(uint32_t *clock_us, uint16_t *counts)
{
    const bool had_tick = has_tick;
    has_tick = false;
    *clock_us = now_us;
    for (uint16_t zone = 0u; had_tick && (zone < CONFIG.insole.zones); zone++) {
        counts[zone] = (uint16_t)(zone * 60u);
    }
    return had_tick;
}

void port_tick_after(uint16_t period_us)
{
    (void)period_us;
    has_tick = true;
}

void port_read_cell(pg_cell *cell)
{
    cell->percent = 87u;
    cell->millivolts = 3900u;
    cell->on_charger = false;
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
    return PG_RESET_FAULT;
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

static void connect(void)
{
    static const uint8_t START[] = {1u, PG_KIND_START, 0u};
    (void)pg_app_init(&app, &CONFIG);
    pg_app_connected(&app, 24u);
    pg_app_mtu(&app, 247u);
    for (uint8_t which = 0u; which < PG_CHARACTERISTICS; which++) {
        pg_app_subscribed(&app, which, true);
    }
    (void)pg_app_written(&app, now_us, START, sizeof START);
}

void app_stream(uint32_t turns)
{
    connect();
    for (uint32_t k = 0u; k < turns; k++) {
        (void)pg_app_turn(&app);
        now_us += TICK_US;
    }
}

void app_idle(uint32_t turns)
{
    (void)pg_app_init(&app, &CONFIG);
    for (uint32_t k = 0u; k < turns; k++) {
        now_us += pg_app_turn(&app);
    }
}

void app_all(void)
{
    static const uint8_t REQUESTS[][5] = {{1u, PG_KIND_IDENTIFY, 5u, 10u}, {1u, PG_KIND_RATE, 3u, 0x88u, 0x13u},
                                          {1u, PG_KIND_FRAMES, 4u, 6u},    {1u, PG_KIND_TIME, 2u},
                                          {1u, PG_KIND_STOP, 0u},          {1u, PG_KIND_START, 1u}};
    static const uint8_t LENGTHS[] = {4u, 5u, 4u, 3u, 3u, 3u};
    app_stream(1200u); /* 12 s: asked for an interval, told the status */
    for (size_t k = 0u; k < sizeof LENGTHS; k++) {
        (void)pg_app_written(&app, now_us, REQUESTS[k], LENGTHS[k]);
        (void)pg_app_turn(&app);
    }
    pg_app_supply_failing(&app);
    (void)pg_app_turn(&app);
    pg_app_interval_refused(&app);
    pg_app_disconnected(&app);
    (void)pg_app_turn(&app);
    pg_app_ship(&app);
    (void)pg_app_turn(&app);
}

uint32_t app_ram_bytes(void)
{
    return sizeof app;
}
