/*
 * The application behind NimBLE, an open-source embedded Bluetooth host: its Linux port, over HCI on a TCP port. All
 * runs in the host's own task: callbacks note and post a turn, the turn does the work (README.md, "Never from a
 * callback": BLE_GAP_EVENT_NOTIFY_TX is raised from inside ble_gatts_notify_custom).
 *
 * The samples are invented: zone k of sample n reads (n + 17 k) mod 4096. A board's own go into port_sample.
 */
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "host/ble_hs.h"
#include "nimble/nimble_npl.h"
#include "nimble/nimble_port.h"
#include "services/gap/ble_svc_gap.h"
#include "services/gatt/ble_svc_gatt.h"

#include "plantigrade_app.h"
#include "plantigrade_info.h"

#define ZONES 18u
#define NEVER UINT64_MAX
/* 7c1fNNNN-5b33-4bce-92eb-cb3d3f7d5271, least significant byte first */
#define OURS(nnnn) BLE_UUID128_INIT(0x71, 0x52, 0x7d, 0x3f, 0x3d, 0xcb, 0xeb, 0x92, 0xce, 0x4b, 0x33, 0x5b, nnnn, 0, 0x1f, 0x7c)

void ble_hci_sock_ack_handler(void *param);
void ble_hci_sock_set_device(int dev);

static const pg_app_config CONFIG = {
    .insole = {.foot = PG_LEFT, .sample_format = PG_PACKED12, .zones = ZONES, .frames = 2u, .period_us = 10000u,
               .min_period_us = 2500u, .length_mm = 270u, .firmware = 0x0100u, .serial = 0x51A70004u},
    .low_percent = 15u,
    .enough_percent = 20u,
};
static const ble_uuid128_t SERVICE = OURS(1), DATA = OURS(2), POINT = OURS(3), STATUS = OURS(4), INFORMATION = OURS(5);
static pg_app app;
static uint16_t handles[PG_CHARACTERISTICS], information_handle, link = BLE_HS_CONN_HANDLE_NONE;
static struct ble_npl_event turn_event;
static struct ble_npl_callout turn_later;
static uint64_t tick_us = NEVER, sampled_us;
static uint32_t kept;
static bool indicating;

static uint64_t now_us(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000u + (uint64_t)now.tv_nsec / 1000u;
}

static void wake_loop(void)
{
    ble_npl_eventq_put(nimble_port_get_dflt_eventq(), &turn_event);
}

static void take_turn(struct ble_npl_event *event)
{
    uint64_t wait_us = pg_app_turn(&app);
    const uint64_t now = now_us();
    (void)event;
    if ((tick_us != NEVER) && (tick_us < now + wait_us)) {
        wait_us = (tick_us > now) ? tick_us - now : 0u;
    }
    ble_npl_callout_reset(&turn_later, ble_npl_time_ms_to_ticks32((uint32_t)(wait_us / 1000u) + 1u));
}

static int on_gap(struct ble_gap_event *event, void *arg)
{
    struct ble_gap_conn_desc known;
    (void)arg;
    switch (event->type) {
    case BLE_GAP_EVENT_CONNECT:
        if ((event->connect.status == 0) && (ble_gap_conn_find(event->connect.conn_handle, &known) == 0)) {
            link = event->connect.conn_handle;
            pg_app_connected(&app, known.conn_itvl);
        }
        break;
    case BLE_GAP_EVENT_DISCONNECT:
        link = BLE_HS_CONN_HANDLE_NONE;
        indicating = false;
        pg_app_disconnected(&app);
        break;
    case BLE_GAP_EVENT_MTU:
        pg_app_mtu(&app, event->mtu.value);
        break;
    case BLE_GAP_EVENT_SUBSCRIBE:
        for (uint8_t which = 0u; which < PG_BATTERY; which++) {
            if (handles[which] == event->subscribe.attr_handle) {
                pg_app_subscribed(&app, which, event->subscribe.cur_notify || event->subscribe.cur_indicate);
            }
        }
        break;
    case BLE_GAP_EVENT_CONN_UPDATE:
        if ((event->conn_update.status == 0) && (ble_gap_conn_find(link, &known) == 0)) {
            pg_app_interval(&app, known.conn_itvl);
        } else {
            pg_app_interval_refused(&app);
        }
        break;
    case BLE_GAP_EVENT_NOTIFY_TX:
        indicating = indicating && !(event->notify_tx.indication && (event->notify_tx.status != 0));
        break;
    default:
        break;
    }
    wake_loop();
    return 0;
}

static int on_access(uint16_t connection, uint16_t attribute, struct ble_gatt_access_ctxt *access, void *arg)
{
    static const pg_information SAID = {.zones = ZONES, .bits = 12u, .hardware = 3u, .firmware = 0x0100u};
    uint8_t bytes[PG_MAX_VALUE];
    uint16_t length = 0u;
    (void)connection;
    (void)arg;
    if (access->op == BLE_GATT_ACCESS_OP_WRITE_CHR) {
        const uint32_t clock_us = port_clock_us();
        if (ble_hs_mbuf_to_flat(access->om, bytes, sizeof bytes, &length) != 0) {
            return BLE_ATT_ERR_INVALID_ATTR_VALUE_LEN;
        }
        wake_loop();
        return pg_app_written(&app, clock_us, bytes, length);
    }
    if (attribute == information_handle) {
        length = (uint16_t)pg_write_information(bytes, sizeof bytes, &SAID);
    } else {
        pg_app_read_status(&app, bytes);
        length = PG_STATUS_BYTES;
    }
    return (os_mbuf_append(access->om, bytes, length) == 0) ? 0 : BLE_ATT_ERR_INSUFFICIENT_RES;
}

static const struct ble_gatt_chr_def CHARACTERISTICS[] = {
    {.uuid = &DATA.u, .access_cb = on_access, .flags = BLE_GATT_CHR_F_NOTIFY, .val_handle = &handles[PG_DATA]},
    {.uuid = &POINT.u, .access_cb = on_access, .flags = BLE_GATT_CHR_F_WRITE | BLE_GATT_CHR_F_INDICATE,
     .val_handle = &handles[PG_POINT]},
    {.uuid = &STATUS.u, .access_cb = on_access, .flags = BLE_GATT_CHR_F_READ | BLE_GATT_CHR_F_NOTIFY,
     .val_handle = &handles[PG_STATUS]},
    {.uuid = &INFORMATION.u, .access_cb = on_access, .flags = BLE_GATT_CHR_F_READ, .val_handle = &information_handle},
    {0}};
static const struct ble_gatt_svc_def SERVICES[] = {
    {.type = BLE_GATT_SVC_TYPE_PRIMARY, .uuid = &SERVICE.u, .characteristics = CHARACTERISTICS}, {0}};

uint32_t port_clock_us(void)
{
    return (uint32_t)now_us();
}

void port_lock(void)
{
}

void port_unlock(void)
{
}

void port_advertise(uint16_t interval_625us, const uint8_t *service_data)
{
    static const char *const NAMES[] = {"Insole L", "Insole R"};
    const char *const name = NAMES[service_data[1] & 1u];
    uint8_t answer[16u + PG_ANNOUNCEMENT_BYTES];
    struct ble_hs_adv_fields said = {.flags = BLE_HS_ADV_F_DISC_GEN | BLE_HS_ADV_F_BREDR_UNSUP, .uuids128 = &SERVICE,
                                     .num_uuids128 = 1, .uuids128_is_complete = 1, .name = (const uint8_t *)name,
                                     .name_len = 8, .name_is_complete = 1};
    struct ble_hs_adv_fields response = {.svc_data_uuid128 = answer, .svc_data_uuid128_len = sizeof answer};
    const struct ble_gap_adv_params how = {.conn_mode = BLE_GAP_CONN_MODE_UND, .disc_mode = BLE_GAP_DISC_MODE_GEN,
                                           .itvl_min = interval_625us, .itvl_max = interval_625us};
    memcpy(answer, SERVICE.value, 16u);
    memcpy(answer + 16, service_data, PG_ANNOUNCEMENT_BYTES);
    (void)ble_gap_adv_stop();
    if ((ble_gap_adv_set_fields(&said) != 0) || (ble_gap_adv_rsp_set_fields(&response) != 0) ||
        (ble_gap_adv_start(BLE_OWN_ADDR_RANDOM, NULL, BLE_HS_FOREVER, &how, on_gap, NULL) != 0)) {
        abort();
    }
}

void port_stop_advertising(void)
{
    (void)ble_gap_adv_stop();
}

bool port_notify(uint8_t characteristic, const uint8_t *bytes, size_t length)
{
    struct os_mbuf *const value =
        (characteristic == PG_BATTERY) ? NULL : ble_hs_mbuf_from_flat(bytes, (uint16_t)length);
    return (value != NULL) && (ble_gatts_notify_custom(link, handles[characteristic], value) == 0);
}

bool port_indicate(const uint8_t *bytes, size_t length)
{
    struct os_mbuf *const value = indicating ? NULL : ble_hs_mbuf_from_flat(bytes, (uint16_t)length);
    indicating = indicating || (value != NULL);
    return (value != NULL) && (ble_gatts_indicate_custom(link, handles[PG_POINT], value) == 0);
}

void port_ask_interval(const pg_interval *wanted)
{
    const struct ble_gap_upd_params how = {.itvl_min = wanted->min_1250us, .itvl_max = wanted->max_1250us,
                                           .latency = wanted->latency, .supervision_timeout = wanted->timeout_10ms};
    if (ble_gap_update_params(link, &how) != 0) {
        pg_app_interval_refused(&app);
    }
}

void port_hang_up(void)
{
    (void)ble_gap_terminate(link, BLE_ERR_REM_USER_CONN_TERM);
}

void port_power_cells(bool on)
{
    (void)on;
    tick_us = NEVER;
    sampled_us = now_us();
}

bool port_sample(uint32_t *clock_us, uint16_t *counts)
{
    static uint16_t number;
    if (now_us() < tick_us) {
        return false;
    }
    sampled_us = tick_us;
    tick_us = NEVER;
    for (uint16_t zone = 0u; zone < ZONES; zone++) {
        counts[zone] = (uint16_t)((number + 17u * zone) % 4096u);
    }
    number++;
    *clock_us = (uint32_t)sampled_us;
    return true;
}

void port_tick_after(uint16_t period_us)
{
    tick_us = sampled_us + period_us;
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
    exit(0);
}

static void on_sync(void)
{
    static const uint8_t ADDRESS[6] = {0x04, 0x00, 0xA7, 0x51, 0x00, 0xC0}; /* static random */
    if ((ble_hs_id_set_rnd(ADDRESS) != 0) || !pg_app_init(&app, &CONFIG)) {
        abort();
    }
    wake_loop();
}

static void *run_transport(void *param)
{
    ble_hci_sock_ack_handler(param);
    return NULL;
}

int main(int argc, char **argv)
{
    pthread_t transport;
    if (argc != 2) {
        return 2;
    }
    ble_hci_sock_set_device(atoi(argv[1]));
    nimble_port_init();
    ble_svc_gap_init();
    ble_svc_gatt_init();
    ble_hs_cfg.sync_cb = on_sync;
    ble_npl_event_init(&turn_event, take_turn, NULL);
    ble_npl_callout_init(&turn_later, nimble_port_get_dflt_eventq(), take_turn, NULL);
    if ((ble_att_set_preferred_mtu(247) != 0) || (ble_gatts_count_cfg(SERVICES) != 0) ||
        (ble_gatts_add_svcs(SERVICES) != 0) || (pthread_create(&transport, NULL, run_transport, NULL) != 0)) {
        return 1;
    }
    nimble_port_run();
    return 0;
}
