#include "plantigrade_parts.h"

#define SECOND_US 1000000u
#define ACK_BYTES 5u
#define STATE_AT 1u /* where the state's bits stand in a status */
#define MOST_RESETS 255u
#define EMPTY_FOR_S 10u /* a cell that only sags recovers by then (ours) */
#define STATUS_EVERY_S 10u
#define FAST_ADVERTISING_S 30u
#define FAST_625US 160u /* 100 ms */
#define SLOW_625US 668u /* 417.5 ms */
#define HOLD_US SECOND_US
#define LONGEST_WITHOUT_SAMPLE_US (2u * SECOND_US)
#define CONNECTED_WAIT_US SECOND_US
#define KEPT_MARK 0x50470000u
#define KEPT_MARK_MASK 0xFFFF0000u

/* Steps of asking for an interval (profile, section 5). */
#define ASK_NOTHING 0u
#define ASK_FAST_SOON 1u
#define ASKED_FAST 2u
#define ASKED_MIDDLE 3u
#define ASK_NO_MORE 4u /* on this link */
#define ASK_SLOW_SOON 5u
#define ASK_AFTER_US SECOND_US
#define ANSWER_WITHIN_US (5u * SECOND_US)

static const pg_interval FAST = {.min_1250us = 12u, .max_1250us = 12u, .latency = 0u, .timeout_10ms = 200u};
static const pg_interval MIDDLE = {.min_1250us = 24u, .max_1250us = 36u, .latency = 0u, .timeout_10ms = 200u};
static const pg_interval SLOW = {.min_1250us = 72u, .max_1250us = 96u, .latency = 0u, .timeout_10ms = 200u};

/* ---- resets, kept through them ---- */

/* The count twice, once with all bits turned: what memory holds at the first power-up is not taken for one. */
static uint32_t kept_word(uint8_t resets)
{
    return KEPT_MARK | ((uint32_t)(uint8_t)~resets << 8) | resets;
}

static uint8_t count_resets(void)
{
    const uint32_t word = port_kept();
    const uint8_t resets = (uint8_t)(word & 0xFFu);
    if (word != kept_word(resets)) {
        return 0u;
    }
    if ((port_reset_cause() == PG_RESET_WOKEN) || (resets == MOST_RESETS)) {
        return resets;
    }
    return (uint8_t)(resets + 1u);
}

static void keep_resets(pg_app *app, uint8_t resets)
{
    app->resets = resets;
    port_keep(kept_word(resets));
}

/* ---- begin ---- */

bool pg_app_init(pg_app *app, const pg_app_config *config)
{
    app->config = config;
    pg_forget_link(&app->heard);
    app->heard.lost = false;
    app->heard.woken = false;
    app->heard.failing = false;
    app->heard.ship = false;
    app->cell.percent = PG_BATTERY_UNKNOWN;
    app->cell.millivolts = 0u;
    app->cell.on_charger = false;
    app->now_us = port_clock_us();
    app->second_us = app->now_us;
    app->uptime_s = 0u;
    app->awake_s = 0u;
    app->status_s = 0u;
    app->sampled_us = 0u;
    app->held_us = 0u;
    app->asked_us = 0u;
    app->interval_1250us = 0u;
    app->advertised_625us = 0u;
    app->reply_bytes = 0u;
    app->full_s = 0u;
    app->streamed = false;
    app->asking = ASK_NOTHING;
    app->told_state = 0u;
    app->told_percent = PG_BATTERY_UNKNOWN;
    app->connected = false;
    app->battery_low = false;
    app->sampling = false;
    app->held = false;
    app->asleep = false;
    app->off = false;
    app->turning = false;
    if (!pg_init(&app->insole, &config->insole)) {
        return false;
    }
    keep_resets(app, count_resets());
    port_power_cells(false);
    return pg_app_log_init(app);
}

/* ---- parts of a turn ---- */

static void keep_time(pg_app *app)
{
    app->now_us = port_clock_us();
    while (app->now_us - app->second_us >= SECOND_US) { /* subtracted: the smallest cores have no division */
        app->second_us += SECOND_US;
        app->uptime_s++;
    }
}

static void wake(pg_app *app)
{
    app->asleep = false;
    app->awake_s = app->uptime_s;
}

/* What became of the link; a link that came and went between two turns is one that was lost. */
static void look_at_link(pg_app *app)
{
    pg_heard *const heard = &app->heard;
    port_lock();
    const bool lost = heard->lost;
    const bool connected = heard->connected;
    const bool subscribed = heard->subscribed[PG_DATA];
    const uint16_t att_mtu = heard->att_mtu;
    const uint16_t interval_1250us = heard->interval_1250us;
    heard->lost = false;
    port_unlock();
    if (lost) {
        pg_link_lost(&app->insole);
        pg_app_log_lost_link(app);
        app->reply_bytes = 0u;
        app->connected = false;
        app->streamed = false;
        app->advertised_625us = 0u; /* a connection ended it */
        wake(app);
    }
    if (connected && !app->connected) {
        app->asking = ASK_NOTHING;
        app->told_percent = app->cell.percent;
        app->advertised_625us = 0u;
    }
    app->connected = connected;
    app->interval_1250us = interval_1250us;
    if (connected) {
        pg_set_mtu(&app->insole, att_mtu);
        pg_set_subscribed(&app->insole, subscribed);
    }
}

static void switch_off(pg_app *app)
{
    pg_app_log_stop(app);
    pg_app_look_after_log(app);
    pg_link_lost(&app->insole);
    if (app->connected) {
        port_hang_up();
    }
    port_stop_advertising();
    port_power_cells(false);
    app->sampling = false;
    app->off = true;
    port_ship();
}

static void look_at_cell(pg_app *app)
{
    const pg_app_config *const config = app->config;
    const pg_cell *const cell = &app->cell;
    port_read_cell(&app->cell);
    if (cell->percent <= PG_FULL_BATTERY) {
        app->battery_low =
            app->battery_low ? (cell->percent < config->enough_percent) : (cell->percent <= config->low_percent);
    }
    pg_set_battery(&app->insole, cell->percent, app->battery_low);
    pg_set_charging(&app->insole, cell->on_charger);
    if (cell->on_charger) {
        if (app->resets != 0u) {
            keep_resets(app, 0u);
        }
        if (app->asleep) {
            wake(app);
        }
    }
    const bool is_empty = (cell->millivolts != 0u) && (cell->millivolts < config->empty_mv) && !cell->on_charger;
    if (!is_empty) {
        app->full_s = app->uptime_s;
    }
    if ((pg_taken(&app->heard.ship) && !cell->on_charger) || (app->uptime_s - app->full_s >= EMPTY_FOR_S)) {
        switch_off(app);
    }
}

/* Take the oldest request, once the answer before it is out. */
static void answer_host(pg_app *app)
{
    pg_heard *const heard = &app->heard;
    uint8_t bytes[PG_MAX_REQUEST];
    uint8_t show_s;
    while (app->reply_bytes == 0u) {
        port_lock();
        if (heard->requests == 0u) {
            port_unlock();
            return;
        }
        const pg_written *const written = &heard->written[heard->oldest];
        const uint32_t clock_us = written->clock_us;
        const size_t length = written->length;
        for (size_t k = 0u; k < PG_MAX_REQUEST; k++) {
            bytes[k] = written->bytes[k];
        }
        heard->oldest = (uint8_t)((heard->oldest + 1u < PG_APP_REQUESTS) ? heard->oldest + 1u : 0u);
        heard->requests--;
        port_unlock();
        app->reply_bytes = (uint8_t)pg_control(&app->insole, clock_us, bytes, length, app->reply);
        if ((app->reply_bytes == ACK_BYTES) && (app->reply[3] == PG_KIND_STOP) && (app->reply[4] == PG_DONE)) {
            pg_app_log_stop(app);
        }
        if (pg_take_show(&app->insole, &show_s)) {
            port_show(show_s);
        }
        if ((app->reply_bytes > 0u) && port_indicate(app->reply, app->reply_bytes)) {
            app->reply_bytes = 0u;
        }
    }
}

static void hold_or_sample(pg_app *app)
{
    if (pg_taken(&app->heard.failing)) {
        app->held = true;
        app->held_us = app->now_us;
    } else if (app->held && pg_has_passed(app, app->held_us, HOLD_US)) {
        app->held = false;
    }
    const bool wanted = (pg_is_streaming(&app->insole) || pg_app_is_logging(app)) && !app->held;
    if (wanted != app->sampling) {
        app->sampling = wanted;
        app->sampled_us = app->now_us;
        port_power_cells(wanted);
        if (wanted) {
            port_tick_after(pg_app_sample_period_us(app));
        }
    }
}

static void take_sample(pg_app *app)
{
    uint16_t counts[PG_MAX_ZONES];
    uint32_t clock_us;
    if (app->sampling && port_sample(&clock_us, counts)) {
        app->sampled_us = app->now_us;
        /* one that is not taken is counted, and told to the host */
        pg_app_log_frame(app, pg_push_frame(&app->insole, clock_us, counts), clock_us, counts);
        port_tick_after(pg_app_sample_period_us(app));
    }
}

static void send_packets(pg_app *app)
{
    size_t length;
    const uint8_t *packet = pg_packet(&app->insole, &length);
    while ((packet != NULL) && port_notify(PG_DATA, packet, length)) {
        pg_packet_done(&app->insole);
        packet = pg_packet(&app->insole, &length);
    }
}

static void tell_status(pg_app *app)
{
    uint8_t status[PG_STATUS_BYTES];
    pg_app_read_status(app, status);
    const bool is_due = pg_is_streaming(&app->insole) && (app->uptime_s - app->status_s >= STATUS_EVERY_S);
    if (!is_due && (status[STATE_AT] == app->told_state)) {
        return;
    }
    if (!pg_is_subscribed(app, PG_STATUS) || port_notify(PG_STATUS, status, PG_STATUS_BYTES)) {
        app->told_state = status[STATE_AT];
        app->status_s = app->uptime_s;
    }
}

static void tell_battery(pg_app *app)
{
    const uint8_t percent = pg_app_battery_percent(app);
    if (percent == app->told_percent) {
        return;
    }
    if ((percent > PG_FULL_BATTERY) || !pg_is_subscribed(app, PG_BATTERY) || port_notify(PG_BATTERY, &percent, 1u)) {
        app->told_percent = percent;
    }
}

static void ask(pg_app *app, const pg_interval *wanted, uint8_t step)
{
    app->asking = step;
    app->asked_us = app->now_us;
    port_ask_interval(wanted);
}

/* Ask for the interval that suits what is done, by the rules of phones and computers (profile, section 5). */
static void ask_interval(pg_app *app)
{
    const bool is_streaming = pg_is_streaming(&app->insole);
    const bool is_changed = is_streaming != app->streamed;
    const uint16_t now = app->interval_1250us;
    const bool refused = pg_taken(&app->heard.interval_refused);
    const bool waited = refused || pg_has_passed(app, app->asked_us, ANSWER_WITHIN_US);
    app->streamed = is_streaming;
    if (app->asking == ASK_NO_MORE) {
        return;
    }
    if (is_changed) {
        app->asking = is_streaming ? ASK_FAST_SOON : ASK_SLOW_SOON;
        app->asked_us = app->now_us;
    } else if ((app->asking == ASK_FAST_SOON) && pg_has_passed(app, app->asked_us, ASK_AFTER_US)) {
        if (now == FAST.max_1250us) {
            app->asking = ASK_NOTHING;
        } else {
            ask(app, &FAST, ASKED_FAST);
        }
    } else if ((app->asking == ASK_SLOW_SOON) && pg_has_passed(app, app->asked_us, ASK_AFTER_US)) {
        ask(app, &SLOW, ASK_NOTHING);
    } else if (app->asking == ASKED_FAST) {
        if (now == FAST.max_1250us) {
            app->asking = ASK_NOTHING;
        } else if (waited) {
            ask(app, &MIDDLE, ASKED_MIDDLE);
        }
    } else if (app->asking == ASKED_MIDDLE) {
        if ((now >= MIDDLE.min_1250us) && (now <= MIDDLE.max_1250us)) {
            app->asking = ASK_NOTHING;
        } else if (waited) {
            app->asking = ASK_NO_MORE;
        }
    }
}

static void advertise(pg_app *app)
{
    uint8_t said[PG_ANNOUNCEMENT_BYTES];
    if (pg_taken(&app->heard.woken) && !app->connected) {
        wake(app);
    }
    if (app->connected || app->asleep) {
        return;
    }
    const uint32_t awake_s = app->uptime_s - app->awake_s;
    const uint16_t sleep_after_s = app->config->sleep_after_s;
    const uint16_t interval = (awake_s < FAST_ADVERTISING_S) ? FAST_625US : SLOW_625US;
    bool is_news = interval != app->advertised_625us;
    if ((sleep_after_s != 0u) && (awake_s >= sleep_after_s) && !app->cell.on_charger && !pg_app_is_logging(app)) {
        app->asleep = true;
        app->advertised_625us = 0u;
        port_stop_advertising();
        port_arm_wake();
        return;
    }
    pg_read_announcement(&app->insole, said);
    for (size_t k = 0u; k < PG_ANNOUNCEMENT_BYTES; k++) {
        is_news = is_news || (said[k] != app->said[k]);
        app->said[k] = said[k];
    }
    if (is_news) {
        app->advertised_625us = interval;
        port_advertise(interval, app->said);
    }
}

/* A loop that runs while no sample comes is not well. */
static bool is_well(const pg_app *app)
{
    return !app->sampling || !pg_has_passed(app, app->sampled_us, LONGEST_WITHOUT_SAMPLE_US);
}

static void do_turn(pg_app *app)
{
    keep_time(app);
    look_at_link(app);
    look_at_cell(app);
    if (app->off) {
        return;
    }
    if (app->connected) {
        if ((app->reply_bytes > 0u) && port_indicate(app->reply, app->reply_bytes)) {
            app->reply_bytes = 0u;
        }
        answer_host(app);
    }
    hold_or_sample(app);
    take_sample(app);
    if (app->connected) {
        send_packets(app);
        tell_status(app);
        tell_battery(app);
        ask_interval(app);
    }
    pg_app_look_after_log(app);
    advertise(app);
    if (is_well(app)) {
        port_feed_watchdog();
    }
}

static uint32_t wait_us(const pg_app *app)
{
    if (app->held) {
        return HOLD_US - (app->now_us - app->held_us);
    }
    if (pg_app_is_log_busy(app)) {
        return PG_LOG_WAIT_US;
    }
    return app->connected ? CONNECTED_WAIT_US : PG_LONGEST_WAIT_US;
}

uint32_t pg_app_turn(pg_app *app)
{
    if (app->turning) {
        return 0u;
    }
    app->turning = true;
    if (!app->off) {
        do_turn(app);
    }
    app->turning = false;
    return app->off ? PG_FOR_EVER : wait_us(app);
}
