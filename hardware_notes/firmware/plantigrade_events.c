#include "plantigrade_parts.h"

#define SMALLEST_MTU 23u

void pg_forget_link(pg_heard *heard)
{
    heard->connected = false;
    heard->interval_refused = false;
    heard->att_mtu = SMALLEST_MTU;
    heard->interval_1250us = 0u;
    heard->oldest = 0u;
    heard->requests = 0u;
    for (uint8_t which = 0u; which < PG_CHARACTERISTICS; which++) {
        heard->subscribed[which] = false;
    }
}

/* ---- events: they note, and nothing more ---- */

void pg_app_connected(pg_app *app, uint16_t interval_1250us)
{
    port_lock();
    pg_forget_link(&app->heard);
    app->heard.connected = true;
    app->heard.interval_1250us = interval_1250us;
    port_unlock();
}

void pg_app_disconnected(pg_app *app)
{
    port_lock();
    pg_forget_link(&app->heard);
    app->heard.lost = true;
    port_unlock();
}

void pg_app_mtu(pg_app *app, uint16_t att_mtu)
{
    port_lock();
    app->heard.att_mtu = att_mtu;
    port_unlock();
}

void pg_app_subscribed(pg_app *app, uint8_t characteristic, bool on)
{
    port_lock();
    if (characteristic < PG_CHARACTERISTICS) {
        app->heard.subscribed[characteristic] = on;
    }
    port_unlock();
}

static void note_request(pg_heard *heard, uint32_t clock_us, const uint8_t *bytes, size_t length)
{
    uint8_t at = (uint8_t)(heard->oldest + heard->requests);
    if (heard->requests >= PG_APP_REQUESTS) {
        return; /* a host that does not wait for its answers hears nothing of this one */
    }
    at = (at < PG_APP_REQUESTS) ? at : (uint8_t)(at - PG_APP_REQUESTS);
    pg_written *const written = &heard->written[at];
    written->clock_us = clock_us;
    written->length = (uint16_t)((length <= PG_MAX_MESSAGE) ? length : PG_MAX_MESSAGE + 1u);
    for (size_t k = 0u; (k < length) && (k < PG_MAX_REQUEST); k++) {
        written->bytes[k] = bytes[k];
    }
    heard->requests++;
}

uint8_t pg_app_written(pg_app *app, uint32_t clock_us, const uint8_t *bytes, size_t length)
{
    uint8_t error = 0u;
    port_lock();
    if (app->heard.subscribed[PG_POINT]) {
        note_request(&app->heard, clock_us, bytes, length);
    } else {
        error = PG_ATT_UNSUBSCRIBED;
    }
    port_unlock();
    return error;
}

void pg_app_interval(pg_app *app, uint16_t interval_1250us)
{
    port_lock();
    app->heard.interval_1250us = interval_1250us;
    port_unlock();
}

void pg_app_interval_refused(pg_app *app)
{
    port_lock();
    app->heard.interval_refused = true;
    port_unlock();
}

void pg_app_woken(pg_app *app)
{
    port_lock();
    app->heard.woken = true;
    port_unlock();
}

void pg_app_supply_failing(pg_app *app)
{
    port_lock();
    app->heard.failing = true;
    port_unlock();
}

void pg_app_ship(pg_app *app)
{
    port_lock();
    app->heard.ship = true;
    port_unlock();
}

bool pg_taken(bool *noted)
{
    port_lock();
    const bool was = *noted;
    *noted = false;
    port_unlock();
    return was;
}

bool pg_is_subscribed(const pg_app *app, uint8_t characteristic)
{
    port_lock();
    const bool on = app->heard.subscribed[characteristic];
    port_unlock();
    return on;
}

/* ---- values that a host reads ---- */

void pg_app_read_status(const pg_app *app, uint8_t *out)
{
    pg_read_status(&app->insole, app->resets, app->uptime_s, out);
}

uint8_t pg_app_battery_percent(const pg_app *app)
{
    return (app->cell.percent <= PG_FULL_BATTERY) ? app->cell.percent : (uint8_t)PG_BATTERY_UNKNOWN;
}
