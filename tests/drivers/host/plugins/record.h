/* What the test plugins write down where a test can see it: a file that both map, so that it
 * outlives the host. All fields through atomic built-ins. */
#ifndef CREEL_TESTS_RECORD_H
#define CREEL_TESTS_RECORD_H

#include <stdint.h>

typedef struct record {
  int64_t open;        /* 1 while the shutter lets the beam through */
  int64_t opened;      /* times it was opened */
  int64_t closed;      /* times it was closed by close_shutter */
  int64_t safe;        /* times make_safe ran */
  int64_t safe_ns;     /* CLOCK_MONOTONIC of the first make_safe that found it open */
  int64_t renewed;     /* times renew was called */
  int64_t freed;       /* times close was called */
  int64_t open_for_ns; /* what the last open_shutter was given */
} record;

#define RECORD_SET(field, value) __atomic_store_n(&(field), (value), __ATOMIC_SEQ_CST)
#define RECORD_GET(field) __atomic_load_n(&(field), __ATOMIC_SEQ_CST)
#define RECORD_COUNT(field) __atomic_add_fetch(&(field), 1, __ATOMIC_SEQ_CST)

#endif
