/* A driver for tests: one device of each kind, well-behaved unless its config says otherwise.
 *   "record": path        where to write down what happened (plugins/record.h); a sandbox write
 * path "hang_in": call       this call never returns "crash_in": call      this call writes to
 * address 0 "fail_in": call       this call fails with CREEL_E_REFUSED "wait_in": call       this
 * call waits for world time + 1000 s, which only a cancellation ends "flood": true         open
 * logs 100000 lines "bad_text": true      the log line and the last error are no UTF-8 "huge": true
 * settings are longer than a message "wrong_size": true    read_frame claims seven frames in the
 * bytes of one */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

#include "protocol/driver/creel_driver.h"
#include "tests/drivers/host/plugins/record.h"

enum { ROWS = 2, COLUMNS = 8 };

struct creel_device {
  const creel_services* services;
  char config[4096];
  record* notes;
  record own_notes;
  uint32_t frames, delivered;
  int64_t exposure_ns, started_ns;
  atomic_int stopped;
  double position;
  char gain[64];
  char answer[256];
};

static const char* last_words = "";
static char* huge;

static int64_t monotonic_ns(void) {
  struct timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

static int asked_to(const creel_device* d, const char* verb, const char* call) {
  char wanted[64];
  snprintf(wanted, sizeof wanted, "\"%s\":\"%s\"", verb, call);
  return strstr(d->config, wanted) != NULL;
}
static int flagged(const creel_device* d, const char* name) {
  char wanted[64];
  snprintf(wanted, sizeof wanted, "\"%s\":true", name);
  return strstr(d->config, wanted) != NULL;
}

/* Misbehaves if asked to; otherwise 0. */
static int32_t misbehave(creel_device* d, const char* call) {
  if (asked_to(d, "crash_in", call)) {
    *(volatile int*)0 = 1;
  }
  while (asked_to(d, "hang_in", call)) {
    pause();
  }
  if (asked_to(d, "wait_in", call)) {
    const creel_services* s = d->services;
    last_words = "the wait was ended";
    return s->wait_until_ns(s->context, s->world_now_ns(s->context) + 1000000000000);
  }
  if (asked_to(d, "fail_in", call)) {
    last_words = flagged(d, "bad_text") ? "broken \xff\xfe text" : "the interlock is open";
    return CREEL_E_REFUSED;
  }
  return 0;
}

static void map_notes(creel_device* d) {
  d->notes = &d->own_notes;
  const char* found = strstr(d->config, "\"record\":\"");
  if (found == NULL) {
    return;
  }
  char path[1024];
  if (sscanf(found + 10, "%1023[^\"]", path) != 1) {
    return;
  }
  const int fd = open(path, O_RDWR | O_CLOEXEC);
  void* place =
      fd < 0 ? MAP_FAILED : mmap(NULL, sizeof(record), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
  if (place != MAP_FAILED) {
    d->notes = place;
  }
  close(fd);
}

static int32_t device_open(const char* config_json, const creel_services* services,
                           creel_device** out) {
  creel_device* d = calloc(1, sizeof *d);
  d->services = services;
  snprintf(d->config, sizeof d->config, "%s", config_json);
  strcpy(d->gain, "1");
  map_notes(d);
  const int32_t trouble = misbehave(d, "open");
  if (trouble < 0) {
    free(d);
    return trouble;
  }
  services->log(services->context, CREEL_LOG_INFO,
                flagged(d, "bad_text") ? "opened \xc3(" : "opened");
  for (int i = 0; flagged(d, "flood") && i < 100000; ++i) {
    services->log(services->context, CREEL_LOG_WARNING, "the room is quite warm");
  }
  *out = d;
  return 0;
}
static void device_close(creel_device* d) {
  if (d != NULL) {
    RECORD_COUNT(d->notes->freed);
    free(d);
  }
}
static const char* device_describe(creel_device* d) {
  (void)d;
  return "{\"identity\":{\"maker\":\"tests\",\"model\":\"obliging\",\"serial\":\"unknown\"}}";
}
static const char* device_settings(creel_device* d) {
  if (flagged(d, "huge")) {
    huge = realloc(huge, 70000);
    memset(huge, ' ', 69999);
    huge[0] = '{';
    huge[69998] = '}';
    huge[69999] = 0;
    return huge;
  }
  snprintf(d->answer, sizeof d->answer, "{\"gain\":%s}", d->gain);
  return d->answer;
}
static int32_t device_set(creel_device* d, const char* name, const char* value_json) {
  if (strcmp(name, "gain") != 0) {
    last_words = "there is no such setting; allowed: gain";
    return CREEL_E_INVALID;
  }
  snprintf(d->gain, sizeof d->gain, "%s", value_json);
  return 0;
}
static int32_t device_make_safe(creel_device* d) {
  const int32_t trouble = misbehave(d, "make_safe");
  if (trouble < 0) {
    return trouble;
  }
  atomic_store(&d->stopped, 1);
  if (RECORD_GET(d->notes->open) == 1) {
    RECORD_SET(d->notes->safe_ns, monotonic_ns());
    RECORD_SET(d->notes->open, 0);
  }
  RECORD_COUNT(d->notes->safe);
  return 0;
}
static const char* device_last_error(creel_device* d) {
  (void)d;
  return last_words;
}

static void fill_state(const creel_device* d, creel_shutter_state* state) {
  const int open = RECORD_GET(d->notes->open) == 1;
  state->commanded = open ? CREEL_SHUTTER_OPEN : CREEL_SHUTTER_CLOSED;
  state->measured = state->commanded;
  state->opened_ns = d->started_ns;
  state->closed_ns = open ? 0 : d->services->world_now_ns(d->services->context);
}
static int32_t shutter_open(creel_device* d, int64_t open_for_ns, creel_shutter_state* state) {
  RECORD_SET(d->notes->open, 1);
  RECORD_COUNT(d->notes->opened);
  RECORD_SET(d->notes->open_for_ns, open_for_ns);
  d->started_ns = d->services->world_now_ns(d->services->context);
  const int32_t trouble = misbehave(d, "open_shutter");
  fill_state(d, state);
  return trouble;
}
static int32_t shutter_renew(creel_device* d, int64_t open_for_ns) {
  (void)open_for_ns;
  RECORD_COUNT(d->notes->renewed);
  return 0;
}
static int32_t shutter_close(creel_device* d, creel_shutter_state* state) {
  const int32_t trouble = misbehave(d, "close_shutter");
  RECORD_SET(d->notes->open, 0);
  RECORD_COUNT(d->notes->closed);
  fill_state(d, state);
  return trouble;
}
static int32_t shutter_state(creel_device* d, creel_shutter_state* state) {
  const int32_t trouble = misbehave(d, "state");
  fill_state(d, state);
  return trouble;
}

static int32_t detector_arm(creel_device* d, creel_exposure* exposure) {
  const int32_t trouble = misbehave(d, "arm");
  if (trouble < 0) {
    return trouble;
  }
  d->frames = exposure->frames;
  d->exposure_ns = exposure->exposure_ns;
  exposure->readout_ns = 1000;
  exposure->rows = ROWS;
  exposure->columns = COLUMNS;
  exposure->pixel = CREEL_PIXEL_U16;
  exposure->frames_per_block = 1;
  if (flagged(d, "events")) {
    exposure->pixel = CREEL_PIXEL_EVENT;
    exposure->most_events = flagged(d, "no_places") ? 0 : ROWS * COLUMNS / 8;
    exposure->frames_per_block = flagged(d, "many") ? 2 : 1;
  } else if (flagged(d, "no_places")) {
    exposure->most_events = 3;
  }
  return 0;
}
static int32_t detector_start(creel_device* d) {
  d->delivered = 0;
  atomic_store(&d->stopped, 0);
  d->started_ns = d->services->world_now_ns(d->services->context);
  return misbehave(d, "start");
}
/* Pixel p of frame f is 100 f + p. */
static int64_t detector_read_frame(creel_device* d, void* buffer, uint64_t buffer_bytes,
                                   creel_frame_info* info, uint32_t timeout_ms) {
  (void)timeout_ms;
  const int32_t trouble = misbehave(d, "read_frame");
  if (trouble < 0 || atomic_load(&d->stopped)) {
    return trouble < 0 ? trouble : CREEL_E_CANCELLED;
  }
  if (d->frames > 0 && d->delivered == d->frames) {
    return CREEL_E_STATE;
  }
  uint16_t pixels[ROWS * COLUMNS];
  for (uint32_t p = 0; p < ROWS * COLUMNS; ++p) {
    pixels[p] = (uint16_t)(100 * d->delivered + p);
  }
  if (buffer_bytes < sizeof pixels) {
    return CREEL_E_INVALID;
  }
  memcpy(buffer, pixels, sizeof pixels);
  info->frames = flagged(d, "wrong_size") ? 7 : 1;
  info->first = d->delivered;
  info->start_ns = d->started_ns + d->delivered * d->exposure_ns;
  info->exposure_ns = d->exposure_ns;
  info->period_ns = d->exposure_ns;
  info->device_stamp = 4000 + d->delivered;
  /* Two events have as many bytes as the pixels: the same bytes pass for both. */
  info->events = flagged(d, "too_many") ? 3 : flagged(d, "events") ? 2 : 0;
  info->events_lost = flagged(d, "lost_more") ? UINT64_MAX : flagged(d, "events") ? 5 : 0;
  ++d->delivered;
  return sizeof pixels;
}
static int32_t detector_stop(creel_device* d) {
  atomic_store(&d->stopped, 1);
  return 0;
}

static int32_t stage_move(creel_device* d, uint32_t axis, double position) {
  const int32_t trouble = misbehave(d, "move");
  if (trouble < 0 || axis > 0) {
    return trouble < 0 ? trouble : CREEL_E_INVALID;
  }
  const creel_services* s = d->services;
  const int32_t waited = s->wait_until_ns(s->context, s->world_now_ns(s->context) + 1000);
  d->position = position;
  return waited;
}
static int32_t stage_position(creel_device* d, uint32_t axis, double* position) {
  *position = d->position;
  return axis == 0 ? 0 : CREEL_E_INVALID;
}

static int32_t gauge_read(creel_device* d, creel_reading* readings, uint32_t capacity) {
  const int32_t trouble = misbehave(d, "read");
  if (trouble < 0 || capacity < 3) {
    return trouble < 0 ? trouble : CREEL_E_INVALID;
  }
  const int64_t now = d->services->world_now_ns(d->services->context);
  const creel_reading made[] = {{21.5, 0.1, now, 1, 0}, {3e-5, -1, now, 1, 0}, {0, 0, now, 0, 0}};
  memcpy(readings, made, sizeof made);
  return 3;
}

static const creel_device_calls device_calls = {
    sizeof device_calls, 0,          device_open,      device_close,     device_describe,
    device_settings,     device_set, device_make_safe, device_last_error};
static const creel_detector_calls detector_calls = {
    sizeof detector_calls, 0, detector_arm, detector_start, detector_read_frame, detector_stop};
static const creel_shutter_calls shutter_calls = {
    sizeof shutter_calls, 0, shutter_open, shutter_renew, shutter_close, shutter_state};
static const creel_stage_calls stage_calls = {sizeof stage_calls, 0, stage_move, stage_position};
static const creel_gauge_calls gauge_calls = {sizeof gauge_calls, 0, gauge_read};

static const creel_offer offer_detector = {
    sizeof(creel_offer), CREEL_KIND_DETECTOR, &device_calls, &detector_calls, NULL, NULL, NULL};
static const creel_offer offer_shutter = {
    sizeof(creel_offer), CREEL_KIND_SHUTTER, &device_calls, NULL, &shutter_calls, NULL, NULL};
static const creel_offer offer_stage = {
    sizeof(creel_offer), CREEL_KIND_STAGE, &device_calls, NULL, NULL, &stage_calls, NULL};
static const creel_offer offer_gauge = {
    sizeof(creel_offer), CREEL_KIND_GAUGE, &device_calls, NULL, NULL, NULL, &gauge_calls};
static const creel_offer* const offers[] = {&offer_detector, &offer_shutter, &offer_stage,
                                            &offer_gauge};

static const creel_plugin plugin = {
    sizeof(creel_plugin), CREEL_ABI_MAJOR, "obliging", "1.2.3", 4, 0, offers};

CREEL_EXPORT const creel_plugin* creel_plugin_entry(void) {
  return &plugin;
}
