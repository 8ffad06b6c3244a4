#include "plantigrade_insole.h"

#define FRAMES_AT 15u /* where the number of frames stands in a packet */
#define FULL_BATTERY 100u
#define ATT_BYTES 3u /* of a notification, before its value */

/* A compile error when the queue's length cannot be: slots are numbered in one byte. */
typedef char pg_queue_fits[((PG_QUEUE_PACKETS >= 1) && (PG_QUEUE_PACKETS <= 255)) ? 1 : -1];

bool pg_init(pg_insole *insole, const pg_config *config)
{
    insole->config = config;
    insole->counter = 0u;
    insole->due_us = 0u;
    insole->covered_us = 0u;
    insole->frames_dropped = 0u;
    insole->packets_lost = 0u;
    insole->period_us = config->period_us;
    insole->next_period_us = config->period_us;
    insole->frames = config->frames;
    insole->next_frames = config->frames;
    insole->battery_percent = PG_BATTERY_UNKNOWN;
    insole->show_s = 0u;
    insole->flags = 0u;
    insole->oldest = 0u;
    insole->queued = 0u;
    insole->filling = false;
    insole->streaming = false;
    insole->charging = false;
    insole->unheard = false;
    insole->show = false;
    pg_set_mtu(insole, PG_MAX_MESSAGE + ATT_BYTES);
    return (config->foot <= PG_RIGHT) && (config->sample_format <= PG_PACKED12) && (config->zones >= 1u) &&
           (config->zones <= PG_MAX_ZONES) && (config->frames >= 1u) && (config->frames <= insole->most_frames) &&
           (config->period_us >= PG_MIN_PERIOD_US) && (config->period_us >= config->min_period_us);
}

/* The slot that many places after the oldest. */
static uint8_t slot_after(const pg_insole *insole, uint8_t places)
{
    const unsigned int slot = (unsigned int)insole->oldest + places;
    return (uint8_t)((slot < PG_QUEUE_PACKETS) ? slot : slot - PG_QUEUE_PACKETS);
}

/* Frames in the next packet. */
static uint8_t frames_to_come(const pg_insole *insole)
{
    return (insole->next_frames < insole->most_frames) ? insole->next_frames : insole->most_frames;
}

static void close_packet(pg_insole *insole)
{
    if (insole->filling) {
        insole->filling = false;
        insole->queued++;
    }
}

/* Begin a packet with the settings that hold from it on; false when no slot is free. */
static bool begin_packet(pg_insole *insole, uint32_t clock_us)
{
    if (insole->queued >= PG_QUEUE_PACKETS) {
        return false;
    }
    pg_slot *const slot = &insole->slots[slot_after(insole, insole->queued)];
    pg_header header;
    insole->period_us = insole->next_period_us;
    insole->frames = frames_to_come(insole);
    header.foot = insole->config->foot;
    header.sample_format = insole->config->sample_format;
    header.flags = insole->flags;
    header.zones = insole->config->zones;
    header.frames = 0u;
    header.period_us = insole->period_us;
    header.counter = insole->counter;
    header.clock_us = clock_us;
    pg_write_header(slot->bytes, &header);
    slot->length = (uint8_t)PG_HEADER_BYTES;
    insole->counter++; /* wraps, as unsigned numbers do */
    insole->flags = (uint8_t)(insole->flags & PG_BATTERY_LOW);
    insole->due_us = clock_us;
    insole->covered_us = 0u;
    insole->filling = true;
    return true;
}

static void append_frame(pg_insole *insole, const uint16_t *counts)
{
    pg_slot *const slot = &insole->slots[slot_after(insole, insole->queued)];
    const size_t bytes = pg_write_frame(
        &slot->bytes[slot->length], counts, insole->config->zones, insole->config->sample_format);
    slot->length = (uint8_t)(slot->length + bytes);
    slot->bytes[FRAMES_AT]++;
    insole->due_us += insole->period_us;
    insole->covered_us += insole->period_us;
    if (slot->bytes[FRAMES_AT] >= insole->frames) {
        close_packet(insole);
    }
}

static void drop_frame(pg_insole *insole)
{
    insole->frames_dropped++;
    insole->flags = (uint8_t)(insole->flags | PG_DROPPED);
}

bool pg_push_frame(pg_insole *insole, uint32_t clock_us, const uint16_t *counts)
{
    if (!insole->streaming) {
        return false;
    }
    /* The clock wraps, so each is a distance on a circle: one of the two is small. */
    const uint32_t late_us = clock_us - insole->due_us;
    const uint32_t early_us = insole->due_us - clock_us;
    const uint32_t wobble_us = (uint32_t)insole->period_us >> 1;
    if ((late_us > wobble_us) && (early_us > wobble_us)) {
        if (early_us <= insole->covered_us) {
            drop_frame(insole);
            return false;
        }
        if ((insole->flags & PG_FIRST) == 0u) { /* a pause between stop and start is no loss */
            insole->flags = (uint8_t)(insole->flags | PG_DROPPED);
        }
        close_packet(insole);
    }
    if (!insole->filling && !begin_packet(insole, clock_us)) {
        drop_frame(insole);
        return false;
    }
    append_frame(insole, counts);
    return true;
}

uint32_t pg_frame_clock_us(const pg_insole *insole)
{
    return insole->due_us - insole->period_us;
}

uint16_t pg_period_us(const pg_insole *insole)
{
    return insole->period_us;
}

const uint8_t *pg_packet(const pg_insole *insole, size_t *length)
{
    if (insole->queued == 0u) {
        *length = 0u;
        return NULL;
    }
    const pg_slot *const slot = &insole->slots[insole->oldest];
    *length = slot->length;
    return slot->bytes;
}

void pg_packet_done(pg_insole *insole)
{
    if (insole->queued > 0u) {
        insole->oldest = slot_after(insole, 1u);
        insole->queued--;
    }
}

void pg_packet_lost(pg_insole *insole)
{
    if (insole->queued > 0u) {
        insole->packets_lost++;
    }
    pg_packet_done(insole);
}

bool pg_is_streaming(const pg_insole *insole)
{
    return insole->streaming;
}

void pg_start(pg_insole *insole)
{
    close_packet(insole);
    insole->counter = 0u;
    insole->packets_lost = 0u;
    insole->flags = (uint8_t)(insole->flags | PG_FIRST);
    insole->streaming = true;
}

void pg_stop(pg_insole *insole)
{
    close_packet(insole);
    insole->streaming = false;
}

void pg_set_mtu(pg_insole *insole, uint16_t att_mtu)
{
    const size_t longest = PG_MAX_MESSAGE + ATT_BYTES;
    const size_t value = ((att_mtu < longest) ? att_mtu : longest) - ((att_mtu < ATT_BYTES) ? att_mtu : ATT_BYTES);
    const size_t frame = pg_frame_bytes(insole->config->zones, insole->config->sample_format);
    size_t bytes = PG_HEADER_BYTES + frame;
    insole->most_frames = 0u;
    /* cppcheck follows an MTU of 3, where value is 0, and takes the comparison for a mistake: nothing fits then. */
    /* cppcheck-suppress unsignedLessThanZero */
    while ((bytes <= value) && (frame > 0u)) {
        insole->most_frames++;
        bytes += frame;
    }
    if (insole->most_frames == 0u) {
        pg_stop(insole);
    }
}

void pg_link_lost(pg_insole *insole)
{
    pg_stop(insole);
    while (insole->queued > 0u) {
        pg_packet_lost(insole);
    }
    insole->flags = (uint8_t)(insole->flags & PG_BATTERY_LOW); /* nor is it to be told of the last one's losses */
}

void pg_set_charging(pg_insole *insole, bool charging)
{
    insole->charging = charging;
    if (charging) {
        pg_stop(insole);
    }
}

void pg_set_subscribed(pg_insole *insole, bool subscribed)
{
    insole->unheard = !subscribed;
    if (!subscribed) {
        pg_stop(insole);
    }
}

void pg_set_battery(pg_insole *insole, uint8_t percent, bool low)
{
    insole->battery_percent = (percent <= FULL_BATTERY) ? percent : (uint8_t)PG_BATTERY_UNKNOWN;
    insole->flags = (uint8_t)(low ? (insole->flags | PG_BATTERY_LOW) : (insole->flags & ~PG_BATTERY_LOW));
}

bool pg_take_show(pg_insole *insole, uint8_t *show_s)
{
    const bool asked = insole->show;
    *show_s = insole->show_s;
    insole->show = false;
    return asked;
}

uint32_t pg_frames_dropped(const pg_insole *insole)
{
    return insole->frames_dropped;
}

/* Do what a well-formed request asks that is acknowledged; return its status. */
static uint8_t obey(pg_insole *insole, const pg_request *request)
{
    const pg_config *const config = insole->config;
    /* No switch: on the smallest cores its jump table calls a function of the compiler's library. */
    if (request->kind == PG_KIND_START) {
        if (insole->charging || insole->unheard || (insole->most_frames == 0u)) {
            return PG_NOT_NOW;
        }
        pg_start(insole);
    } else if (request->kind == PG_KIND_STOP) {
        pg_stop(insole);
    } else if (request->kind == PG_KIND_RATE) {
        if (request->value < config->min_period_us) {
            return PG_VALUE_NOT_POSSIBLE;
        }
        insole->next_period_us = request->value;
    } else { /* frames per packet */
        if (request->value > insole->most_frames) {
            return PG_VALUE_NOT_POSSIBLE;
        }
        insole->next_frames = (uint8_t)request->value;
    }
    return PG_DONE;
}

static size_t write_identity(const pg_insole *insole, uint8_t token, uint8_t *reply)
{
    pg_identity identity;
    identity.foot = insole->config->foot;
    identity.sample_format = insole->config->sample_format;
    identity.zones = insole->config->zones;
    identity.frames = (insole->most_frames > 0u) ? frames_to_come(insole) : insole->next_frames;
    identity.period_us = insole->next_period_us;
    identity.battery_percent = insole->battery_percent;
    identity.streaming = insole->streaming;
    identity.firmware = insole->config->firmware;
    identity.serial = insole->config->serial;
    return pg_write_identity(reply, token, &identity);
}

size_t pg_control(pg_insole *insole, uint32_t clock_us, const uint8_t *request, size_t length, uint8_t *reply)
{
    pg_request asked;
    uint8_t status;
    if (!pg_read_request(request, length, &asked, &status)) {
        return 0u;
    }
    if (status == PG_DONE) {
        if (asked.kind == PG_KIND_TIME) {
            return pg_write_clock(reply, asked.token, clock_us);
        }
        if (asked.kind == PG_KIND_IDENTIFY) {
            insole->show_s = (uint8_t)asked.value;
            insole->show = true;
            return write_identity(insole, asked.token, reply);
        }
        status = obey(insole, &asked);
    }
    return pg_write_ack(reply, &asked, status);
}

void pg_read_announcement(const pg_insole *insole, uint8_t *out)
{
    const pg_config *const config = insole->config;
    pg_write_announcement(out, config->foot, config->length_mm, insole->battery_percent, config->serial);
}

void pg_read_status(const pg_insole *insole, uint8_t resets, uint32_t uptime_s, uint8_t *out)
{
    pg_status status;
    status.streaming = insole->streaming;
    status.charging = insole->charging;
    status.battery_low = (insole->flags & PG_BATTERY_LOW) != 0u;
    status.battery_percent = insole->battery_percent;
    status.resets = resets;
    status.packets_lost = insole->packets_lost;
    status.uptime_s = uptime_s;
    pg_write_status(out, &status);
}
