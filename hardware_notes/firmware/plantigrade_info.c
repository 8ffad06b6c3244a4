#include "plantigrade_info.h"

#define INFORMATION_VERSION 1u
#define HEADER_BYTES 14u
#define SIZE_BYTES 4u
#define ZONE_BYTES 7u
#define CURVE_HEADER_BYTES 6u
#define TABLE_FOLLOWS 0u
#define BUILT_IN 1u
#define BUILT_IN_ZONES 18u
#define LEAST_BITS 8u
#define MOST_BITS 16u

static size_t curve_bytes(uint8_t zones, uint8_t points)
{
    return CURVE_HEADER_BYTES + 2u * ((size_t)points + zones + (size_t)zones * points);
}

static bool can_be(const pg_information *information)
{
    if ((information->zones < 1u) || (information->zones > PG_MAX_ZONES) || (information->bits < LEAST_BITS) ||
        (information->bits > MOST_BITS)) {
        return false;
    }
    if ((information->table == NULL) && (information->zones != BUILT_IN_ZONES)) {
        return false;
    }
    if ((information->calibration == 0u) != (information->points == 0u)) {
        return false;
    }
    return (information->points == 0u) || (curve_bytes(information->zones, information->points) <= PG_MAX_VALUE);
}

size_t pg_write_information(uint8_t *out, size_t room, const pg_information *information)
{
    const size_t table_bytes =
        (information->table == NULL) ? 0u : SIZE_BYTES + (size_t)information->zones * ZONE_BYTES;
    if (!can_be(information) || (HEADER_BYTES + table_bytes > room)) {
        return 0u;
    }
    out[0] = INFORMATION_VERSION;
    out[1] = information->zones;
    out[2] = information->bits;
    out[3] = (information->table == NULL) ? (uint8_t)BUILT_IN : (uint8_t)TABLE_FOLLOWS;
    pg_put16(out + 4, information->hardware);
    pg_put16(out + 6, information->firmware);
    pg_put32(out + 8, information->calibration);
    out[12] = information->points;
    out[13] = 0u;
    if (information->table != NULL) {
        uint8_t *at = out + HEADER_BYTES;
        pg_put16(at, information->length_mm);
        pg_put16(at + 2, information->width_mm);
        at += SIZE_BYTES;
        for (uint8_t zone = 0u; zone < information->zones; zone++) {
            const pg_zone *const row = &information->table[zone];
            at[0] = row->region;
            pg_put16(at + 1, row->x);
            pg_put16(at + 3, row->y);
            pg_put16(at + 5, row->area_mm2);
            at += ZONE_BYTES;
        }
    }
    return HEADER_BYTES + table_bytes;
}

static uint8_t *put_all(uint8_t *out, const uint16_t *values, size_t number)
{
    for (size_t k = 0u; k < number; k++) {
        pg_put16(out, values[k]);
        out += 2;
    }
    return out;
}

size_t pg_write_curve(uint8_t *out, size_t room, const pg_curve *curve)
{
    const size_t bytes = curve_bytes(curve->zones, curve->points);
    uint8_t *at = out + CURVE_HEADER_BYTES;
    if ((curve->points == 0u) || (curve->zones == 0u) || (bytes > room) || (bytes > PG_MAX_VALUE)) {
        return 0u;
    }
    pg_put32(out, curve->calibration);
    out[4] = curve->points;
    out[5] = curve->zones;
    at = put_all(at, curve->counts, curve->points);
    at = put_all(at, curve->zeros, curve->zones);
    (void)put_all(at, curve->pressures, (size_t)curve->zones * curve->points);
    return bytes;
}
