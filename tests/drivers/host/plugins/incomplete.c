/* Offers that must be refused: a shutter whose table ends before `state` although memory goes on
 * behind it, and a gauge without `read` and `describe`. */
#include <stddef.h>

#include "protocol/driver/creel_driver.h"

static int32_t refuse_open(const char* config_json, const creel_services* services,
                           creel_device** out) {
  (void)config_json, (void)services, (void)out;
  return CREEL_E_INTERNAL;
}
static void do_nothing(creel_device* d) {
  (void)d;
}
static const char* say_nothing(creel_device* d) {
  (void)d;
  return "{}";
}
static int32_t succeed(creel_device* d) {
  (void)d;
  return 0;
}
static int32_t open_shutter(creel_device* d, int64_t open_for_ns, creel_shutter_state* state) {
  (void)d, (void)open_for_ns, (void)state;
  return 0;
}
static int32_t shutter_call(creel_device* d, creel_shutter_state* state) {
  (void)d, (void)state;
  return 0;
}

static const creel_device_calls complete = {sizeof complete, 0,           refuse_open, do_nothing,
                                            say_nothing,     say_nothing, NULL,        succeed,
                                            say_nothing};
static const creel_device_calls without_describe = {sizeof without_describe,
                                                    0,
                                                    refuse_open,
                                                    do_nothing,
                                                    NULL,
                                                    say_nothing,
                                                    NULL,
                                                    succeed,
                                                    say_nothing};
static const creel_shutter_calls cut_short = {
    offsetof(creel_shutter_calls, state), 0, open_shutter, NULL, shutter_call, shutter_call};
static const creel_gauge_calls without_read = {sizeof without_read, 0, NULL};

static const creel_offer offer_shutter = {
    sizeof(creel_offer), CREEL_KIND_SHUTTER, &complete, NULL, &cut_short, NULL, NULL};
static const creel_offer offer_gauge = {
    sizeof(creel_offer), CREEL_KIND_GAUGE, &without_describe, NULL, NULL, NULL, &without_read};
static const creel_offer* const offers[] = {&offer_shutter, &offer_gauge};

static const creel_plugin plugin = {
    sizeof(creel_plugin), CREEL_ABI_MAJOR, "incomplete", "0", 2, 0, offers};

CREEL_EXPORT const creel_plugin* creel_plugin_entry(void) {
  return &plugin;
}
