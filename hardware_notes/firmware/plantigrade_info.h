/*
 * What an insole says of itself once: the two values of ../gatt_profile.md section 8, information and stored curve.
 *
 * Write them at reset, or when a curve is stored, and let your Bluetooth stack serve the bytes; it reads them in
 * pieces where they are longer than the MTU. No state, no allocation, no floating point, no library function.
 */
#ifndef PLANTIGRADE_INFO_H
#define PLANTIGRADE_INFO_H

#include "plantigrade_wire.h"

#ifdef __cplusplus
extern "C" {
#endif

/* The longest value of a characteristic. */
#define PG_MAX_VALUE 512u

#define PG_HEEL 0u
#define PG_MIDFOOT 1u
#define PG_FOREFOOT 2u
#define PG_TOES 3u

/* Where a zone lies. */
typedef struct {
    uint8_t region;
    uint16_t x;        /* 0 at the medial edge, 10000 at the lateral edge */
    uint16_t y;        /* 0 at the heel end, 10000 at the toe end */
    uint16_t area_mm2; /* at least 1 */
} pg_zone;

typedef struct {
    uint8_t zones;
    uint8_t bits;         /* of the converter's full scale, 8-16 */
    const pg_zone *table; /* NULL: the built-in eighteen zones */
    uint16_t length_mm;   /* of the insole that the table divides; not looked at without one */
    uint16_t width_mm;
    uint16_t hardware; /* your own number of this kind of insole */
    uint16_t firmware; /* major x 256 + minor */
    uint32_t calibration; /* number of the stored curve, 0: none */
    uint8_t points;       /* of each zone's curve above zero, 0: none is stored */
} pg_information;

typedef struct {
    uint32_t calibration;
    uint8_t points;
    uint8_t zones;
    const uint16_t *counts;    /* above zero, rising: points of them */
    const uint16_t *zeros;     /* counts in the air: zones of them */
    const uint16_t *pressures; /* 1/50 kPa, zone by zone: zones x points of them */
} pg_curve;

/* Write the information; return its bytes, 0 where more than `room` or where a number cannot be. */
size_t pg_write_information(uint8_t *out, size_t room, const pg_information *information);

/* Write the stored curve; return its bytes, 0 where more than `room` or PG_MAX_VALUE, or without points or zones. */
size_t pg_write_curve(uint8_t *out, size_t room, const pg_curve *curve);

#ifdef __cplusplus
}
#endif

#endif
