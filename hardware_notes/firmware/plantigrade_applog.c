#include "plantigrade_parts.h"

#if PG_APP_LOG

#define LOG_PAGES_AT_ONCE 2u /* in a connection event (profile, section 11) */
#define USUAL_INTERVAL_1250US 12u
#define ATT_BYTES 3u

bool pg_app_log_init(pg_app *app)
{
    const pg_app_config *const config = app->config;
    app->heard.log_asked = false;
    app->log_sent_us = app->now_us;
    app->log_sent = 0u;
    app->log_busy = false;
    if (!pg_log_init(&app->log, &config->insole, config->log_pages, app->now_us)) {
        return false;
    }
    app->log_period_us = pg_log_resumes_us(&app->log);
    pg_log_link_lost(&app->log); /* what goes on after a reset goes on without a link */
    return true;
}

bool pg_app_is_logging(const pg_app *app)
{
    return pg_log_is_logging(&app->log);
}

void pg_app_log_lost_link(pg_app *app)
{
    pg_log_link_lost(&app->log);
}

void pg_app_log_stop(pg_app *app)
{
    pg_log_stop(&app->log);
}

uint16_t pg_app_sample_period_us(pg_app *app)
{
    if (pg_is_streaming(&app->insole)) {
        app->log_period_us = pg_period_us(&app->insole);
    }
    return app->log_period_us;
}

void pg_app_log_frame(pg_app *app, bool is_taken, uint32_t clock_us, const uint16_t *counts)
{
    const uint32_t at_us = is_taken ? pg_frame_clock_us(&app->insole) : clock_us;
    pg_log_frame(&app->log, at_us, pg_app_sample_period_us(app), counts);
}

static void hear_log_request(pg_app *app)
{
    pg_heard *const heard = &app->heard;
    uint8_t bytes[PG_MAX_REQUEST];
    port_lock();
    const bool asked = heard->log_asked;
    const size_t length = heard->log_written.length;
    const bool fits = heard->att_mtu >= PG_MAX_MESSAGE + ATT_BYTES;
    for (size_t k = 0u; asked && (k < PG_MAX_REQUEST); k++) {
        bytes[k] = heard->log_written.bytes[k];
    }
    heard->log_asked = false;
    port_unlock();
    if (asked) {
        pg_log_asked(&app->log, bytes, length, fits);
    }
}

/* Pages and ends, while no data packet waits, and two in a connection event at most. */
static void send_log(pg_app *app)
{
    const uint32_t interval =
        (app->interval_1250us != 0u) ? app->interval_1250us : (uint32_t)USUAL_INTERVAL_1250US;
    size_t length;
    const uint8_t *message = pg_log_message(&app->log, &length);
    if (pg_has_passed(app, app->log_sent_us, interval * 1250u)) {
        app->log_sent_us = app->now_us;
        app->log_sent = 0u;
    }
    if ((message != NULL) && (app->log_sent < LOG_PAGES_AT_ONCE) && (pg_packet(&app->insole, &length) == NULL)) {
        message = pg_log_message(&app->log, &length);
        if (port_notify(PG_LOG, message, length)) {
            pg_log_message_done(&app->log);
            app->log_sent++;
        }
    }
}

/* A supply that fails must not be asked to program. */
void pg_app_look_after_log(pg_app *app)
{
    size_t length;
    pg_log_clock(&app->log, app->now_us);
    if (pg_is_streaming(&app->insole)) {
        pg_log_start(&app->log);
    } else if (app->cell.on_charger) {
        pg_log_stop(&app->log);
    }
    if (app->connected) {
        hear_log_request(app);
        send_log(app);
    }
    app->log_busy = !app->held && (pg_log_work(&app->log) || (pg_log_message(&app->log, &length) != NULL));
}

bool pg_app_is_log_busy(const pg_app *app)
{
    return app->log_busy;
}

uint8_t pg_app_log_written(pg_app *app, const uint8_t *bytes, size_t length)
{
    pg_written *const written = &app->heard.log_written;
    uint8_t error = PG_ATT_UNSUBSCRIBED;
    port_lock();
    if (app->heard.subscribed[PG_LOG]) {
        written->length = (uint16_t)((length <= PG_MAX_MESSAGE) ? length : PG_MAX_MESSAGE + 1u);
        for (size_t k = 0u; (k < length) && (k < PG_MAX_REQUEST); k++) {
            written->bytes[k] = bytes[k];
        }
        app->heard.log_asked = true;
        error = 0u;
    }
    port_unlock();
    return error;
}

void pg_app_read_log(pg_app *app, uint8_t *out)
{
    pg_log_read_state(&app->log, port_clock_us(), out);
}

#else

typedef int pg_no_log; /* a file must declare something */

#endif
