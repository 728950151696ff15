/* protocol/driver/creel_driver.h: the whole contract between a device driver and its host process.
 * C11; also valid C++20. ABI 0: not frozen until the simulated, genicam and line drivers pass the
 * conformance suite (drivers/kit).
 *
 * SAFETY: software shutter control is NOT a personnel-safety interlock. A class 4 laser needs
 *   hard-wired interlocks, eyewear and a laser safety officer (IEC 60825-1, ANSI Z136.1, local
 * rules). A driver may read an interlock and may refuse to open; it never bypasses or resets one.
 *
 * Shape:     one plugin is one shared object that exports creel_plugin_entry(). It offers up to
 * four kinds of device. creel-host loads one plugin, opens ONE device of it, and is its own
 * process, so a crash or a hang in here is never the daemon's. Growth:    fields are only ever
 * appended. The host copies min(its size, struct_size) bytes and zeroes the rest, so a call that an
 * old driver lacks reads as NULL: not offered. abi_major changes only when the meaning of an
 * existing field does. Ownership: what the host passes in stays the host's and is valid until the
 * call returns: copy what you keep. Strings you return are yours; they stay valid until the next
 * call on the same device. Threads:   [control]  one thread of the host; calls come one at a time.
 *            [frames]   a second thread, read_frame only, between start and stop.
 *            [any]      at any time from any thread, even while another call is running.
 * States:    [open] after open; [armed] after arm; [acquiring] after start until stop or the last
 * frame. Errors:    0 or positive is success; negative is a CREEL_E_* code. The sentence for a
 * person comes from last_error(). Time:      every *_ns on the world clock is what
 * services->world_now_ns returns. Use no other clock and no sleep of your own for physics or
 * waiting: a simulated rig runs faster than life. Numbers:   little-endian hosts only; no NaN or
 * infinity in any double.
 */
#ifndef CREEL_DRIVER_H
#define CREEL_DRIVER_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define CREEL_ABI_MAJOR 0u

/* Kinds of device. */
#define CREEL_KIND_DETECTOR 1u
#define CREEL_KIND_SHUTTER 2u
#define CREEL_KIND_STAGE \
  3u /* anything that moves: specimen stage, delay line, energy-offset supply */
#define CREEL_KIND_GAUGE 4u /* slow readings: laser power, high tension, vacuum, temperature */

/* Error codes. The host maps each to what the daemon does about it. */
#define CREEL_E_INVALID (-1)     /* an argument is wrong; nothing was changed */
#define CREEL_E_STATE (-2)       /* not legal in this state */
#define CREEL_E_TIMEOUT (-3)     /* the device did not answer in time */
#define CREEL_E_DEVICE_LOST (-4) /* the device is gone; the daemon restarts the host */
#define CREEL_E_CANCELLED (-5)   /* make_safe or stop ended the call */
#define CREEL_E_REFUSED (-6)     /* the device refuses, for instance because an interlock is open */
#define CREEL_E_INTERNAL (-7)

/* Pixel types of a frame, little-endian. */
#define CREEL_PIXEL_U8 1u
#define CREEL_PIXEL_U16 2u
#define CREEL_PIXEL_U32 3u
#define CREEL_PIXEL_F32 4u
#define CREEL_PIXEL_EVENT 5u /* no pixels but a list of creel_event: see creel_exposure */

/* One electron that a counting detector saw. */
typedef struct creel_event {
  uint64_t time_ps; /* since the start of its frame's integration, at most exposure_ns * 1000 */
  uint16_t column;  /* below creel_exposure.columns */
  uint16_t row;     /* below creel_exposure.rows */
  uint32_t charge;  /* what the device measured of its size (time over threshold, say), in the
                     * device's own unit; 0 = unknown */
} creel_event;

/* Levels for services->log. */
#define CREEL_LOG_DEBUG 0
#define CREEL_LOG_INFO 1
#define CREEL_LOG_WARNING 2
#define CREEL_LOG_ERROR 3

typedef struct creel_device creel_device; /* opaque: the driver's own */

/* What the host does for a driver. Valid from open until close has returned. All calls: [any]. */
typedef struct creel_services {
  uint32_t struct_size;
  uint32_t reserved;
  void* context; /* pass back as the first argument */
  /* World time, ns since an origin fixed for this rig; never goes back. */
  int64_t (*world_now_ns)(void* context);
  /* Waits until world time world_ns. 0, or CREEL_E_CANCELLED when the device is being made safe,
   * stopped or closed: then return from your call at once. */
  int32_t (*wait_until_ns)(void* context, int64_t world_ns);
  /* One line for the session's log, UTF-8, at most 1000 bytes are kept. */
  void (*log)(void* context, int32_t level, const char* text);
  /* Memory that all devices of a simulated rig share (*bytes its size), zero at first, the same for
   * every host of the rig; NULL when the rig shares none. Not for real devices. */
  void* (*shared_memory)(void* context, uint64_t* bytes);
  /* A number all hosts of a simulated rig agree on: everything random must follow from it. */
  uint64_t (*seed)(void* context);
} creel_services;

/* Calls that every kind of device has. */
typedef struct creel_device_calls {
  uint32_t struct_size;
  uint32_t reserved;
  /* [control] Opens the device that config_json describes (the device's "config" of the rig file,
   * plus "name"). Fills *out on success and leaves it NULL on failure. A shutter comes up CLOSED.
   * May take 10 s. */
  int32_t (*open)(const char* config_json, const creel_services* services, creel_device** out);
  /* [any] Frees the device after make_safe; NULL is allowed. At most 5 s. */
  void (*close)(creel_device* device);
  /* [control, open] JSON object, see DEVELOPERS.md "How to add a driver": identity (maker, model,
   * serial, firmware, "unknown" where the device does not say), and per kind its capabilities.
   * Never NULL. */
  const char* (*describe)(creel_device* device);
  /* [control, open] Every setting as the device reads it back now, JSON object name -> value, units
   * in the names. Never NULL. At most 2 s. */
  const char* (*settings)(creel_device* device);
  /* [control, open, not acquiring] Changes one setting; value_json is one JSON value. NULL: no
   * settings. */
  int32_t (*set)(creel_device* device, const char* name, const char* value_json);
  /* [any] Brings the device to where it can do no harm: a shutter closes, a stage halts, a detector
   * stops. Repeatable; returns within 50 ms; must not wait for another call of this driver to end.
   */
  int32_t (*make_safe)(creel_device* device);
  /* [any] The last failure in one sentence; "" if none. Never NULL. device may be NULL: why open
   * failed. */
  const char* (*last_error)(creel_device* device);
} creel_device_calls;

/* Asked of a detector by arm, and given back with what the device really does. */
typedef struct creel_exposure {
  uint32_t struct_size;
  uint32_t frames;        /* how many frames this acquisition makes; 0 = until stop */
  int64_t exposure_ns;    /* integration time of one frame; on return: as the device rounded it */
  int64_t readout_ns;     /* out: from the end of integration until read_frame can deliver it */
  uint32_t rows, columns; /* out: shape of one frame; one spectrum has rows = 1 */
  uint32_t pixel;         /* out: CREEL_PIXEL_* */
  uint32_t frames_per_block; /* out: frames that one read_frame delivers at most (small spectra
                              * travel many at a time); 1 for images and for events */
  /* out, only for CREEL_PIXEL_EVENT, 1 to 67108864: a frame is then a list of so many creel_event
   * at most, and always as long as that many; rows and columns are the grid of the sensor, and
   * frames_per_block is 1. Else 0. */
  uint32_t most_events;
  uint32_t reserved;
} creel_exposure;

/* Flags of a frame. */
/* Some pixel reached the detector's saturation value, or a list has no room for more events. */
#define CREEL_FRAME_SATURATED 1u
#define CREEL_FRAME_INCOMPLETE \
  2u /* the device lost part of it (missing packets): marked, never filled up */

/* One block of frames, as read_frame delivered it. */
typedef struct creel_frame_info {
  uint32_t struct_size;
  uint32_t frames; /* frames in this block, 1..frames_per_block */
  uint64_t first;  /* index of its first frame since start, as the DEVICE counts: a gap is a loss */
  int64_t start_ns;      /* world time at which the first frame's integration began */
  int64_t exposure_ns;   /* integration time of each frame */
  int64_t period_ns;     /* from one start to the next within the block */
  uint64_t device_stamp; /* the device's own time stamp, 0 if it has none */
  uint32_t flags;        /* CREEL_FRAME_* */
  uint32_t reserved;
  /* Only for CREEL_PIXEL_EVENT, else 0. So many events lie in the frame, from its first place on,
   * in any order; what is behind them is not looked at. */
  uint64_t events;
  uint64_t events_lost; /* events beyond them that the device knows it had no room for; then it sets
                         * CREEL_FRAME_SATURATED, too */
} creel_frame_info;

typedef struct creel_detector_calls {
  uint32_t struct_size;
  uint32_t reserved;
  /* [control, open or armed] Prepares for *exposure and fills its outputs. At most 5 s. */
  int32_t (*arm)(creel_device* device, creel_exposure* exposure);
  /* [control, armed] Starts integrating the first frame. Returns at once (50 ms). */
  int32_t (*start)(creel_device* device);
  /* [frames, acquiring] Puts the next block into buffer (shared memory: write it in order, do not
   * keep or read back the pointer). Returns bytes written; 0 when timeout_ms of real time passed
   * with no frame, which is not an error; CREEL_E_STATE after the last frame. */
  int64_t (*read_frame)(creel_device* device, void* buffer, uint64_t buffer_bytes,
                        creel_frame_info* info, uint32_t timeout_ms);
  /* [any] Ends the acquisition; a waiting read_frame returns CREEL_E_CANCELLED. Repeatable. */
  int32_t (*stop)(creel_device* device);
} creel_detector_calls;

/* Where a shutter is. */
#define CREEL_SHUTTER_CLOSED 0
#define CREEL_SHUTTER_OPEN 1
#define CREEL_SHUTTER_MOVING 2
#define CREEL_SHUTTER_NOT_MEASURED 3 /* this device cannot tell */

typedef struct creel_shutter_state {
  uint32_t struct_size;
  int32_t commanded; /* CREEL_SHUTTER_CLOSED or _OPEN */
  int32_t measured;  /* CREEL_SHUTTER_* */
  uint32_t reserved;
  int64_t opened_ns; /* world time at which the beam last began to pass; 0 = never */
  int64_t closed_ns; /* world time at which the beam last stopped passing; 0 = never opened */
  /* World time at which the blade began to move, and at which it stood again, for the opening that
   * opened_ns is of and for the closing that closed_ns is of: began <= opened_ns <= ended. 0 in
   * both of a pair = this device does not measure it. Appended later: a driver that ends before
   * here reports one time for each movement and is as valid; fill in no more than struct_size
   * bytes. */
  int64_t opening_began_ns, opening_ended_ns;
  int64_t closing_began_ns, closing_ended_ns;
} creel_shutter_state;

typedef struct creel_shutter_calls {
  uint32_t struct_size;
  uint32_t reserved;
  /* [control, open] Opens for at most open_for_ns of REAL time (the open lease). A device with a
   * timer of its own must close by itself at the end; for any other the host keeps the lease.
   * Returns when the shutter is measured open (or has had time to be), at most 2 s, and fills
   * *state. */
  int32_t (*open_shutter)(creel_device* device, int64_t open_for_ns, creel_shutter_state* state);
  /* [control, open] Extends the lease in the device's own timer; NULL: it has none. */
  int32_t (*renew)(creel_device* device, int64_t open_for_ns);
  /* [control, open] Closes; returns when measured closed (or has had time to be), at most 2 s. */
  int32_t (*close_shutter)(creel_device* device, creel_shutter_state* state);
  /* [control, open] Where it is now. */
  int32_t (*state)(creel_device* device, creel_shutter_state* state);
} creel_shutter_calls;

typedef struct creel_stage_calls {
  uint32_t struct_size;
  uint32_t reserved;
  /* [control, open] Moves axis number `axis` of describe()'s list, in that axis' unit, and returns
   * when it stands; wait through services->wait_until_ns. */
  int32_t (*move)(creel_device* device, uint32_t axis, double position);
  /* [control, open] Where the axis stands now, as measured. */
  int32_t (*position)(creel_device* device, uint32_t axis, double* position);
} creel_stage_calls;

typedef struct creel_reading {
  double value;       /* in the unit that describe() gives for this channel */
  double uncertainty; /* one standard deviation, same unit; negative = unknown */
  int64_t taken_ns;   /* world time */
  int32_t valid;      /* 0: the channel gave no reading, value means nothing */
  uint32_t reserved;
} creel_reading;

typedef struct creel_gauge_calls {
  uint32_t struct_size;
  uint32_t reserved;
  /* [control, open] Reads all channels of describe()'s list into readings[0..capacity). Returns how
   * many. At most 1 s. */
  int32_t (*read)(creel_device* device, creel_reading* readings, uint32_t capacity);
} creel_gauge_calls;

/* One kind of device that a plugin offers. */
typedef struct creel_offer {
  uint32_t struct_size;
  uint32_t kind;                        /* CREEL_KIND_* */
  const creel_device_calls* device;     /* never NULL */
  const creel_detector_calls* detector; /* the one of `kind` is not NULL, the others are */
  const creel_shutter_calls* shutter;
  const creel_stage_calls* stage;
  const creel_gauge_calls* gauge;
} creel_offer;

typedef struct creel_plugin {
  uint32_t struct_size;
  uint32_t abi_major;  /* CREEL_ABI_MAJOR as THIS driver was compiled */
  const char* name;    /* static, [a-z0-9-]+ */
  const char* version; /* static, for instance "0.1.0" */
  uint32_t offer_count;
  uint32_t reserved;
  const creel_offer* const* offers; /* static array of static structs */
} creel_plugin;

/* The one export: static storage, never freed, callable before anything else. */
#if defined(__GNUC__)
#define CREEL_EXPORT __attribute__((visibility("default")))
#else
#define CREEL_EXPORT
#endif
typedef const creel_plugin* (*creel_plugin_entry_fn)(void);
CREEL_EXPORT const creel_plugin* creel_plugin_entry(void);

#ifdef __cplusplus
}
#endif
#endif
