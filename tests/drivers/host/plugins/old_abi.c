/* A driver that was built for an ABI that this host does not speak. */
#include <stddef.h>

#include "protocol/driver/creel_driver.h"

static const creel_plugin plugin = {sizeof(creel_plugin), 99, "old-abi", "0", 0, 0, NULL};

CREEL_EXPORT const creel_plugin* creel_plugin_entry(void) {
  return &plugin;
}
