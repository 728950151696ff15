/* A driver that tries what a driver has no business with, and tells with which errno each attempt
 * ended (0: it succeeded). describe(): what open found, between the two filters. settings(): what
 * it finds now. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include "protocol/driver/creel_driver.h"

struct creel_device {
  char file[512];
  char during_open[2048];
  char now[2048];
};

static int of(long result) {
  return result < 0 ? errno : 0;
}

static int try_socket(int family, int type) {
  const int fd = socket(family, type, 0);
  const int result = of(fd);
  close(fd);
  return result;
}
static int try_open(const char* path, int flags) {
  const int fd = open(path, flags | O_CLOEXEC, 0600);
  const int result = of(fd);
  close(fd);
  return result;
}
static int try_exec(void) {
  char* const arguments[] = {"/bin/true", NULL};
  return of(execv("/bin/true", arguments));
}
static int try_fork(void) {
  const pid_t child = fork();
  if (child == 0) {
    _exit(0);
  }
  if (child > 0) {
    waitpid(child, NULL, 0);
  }
  return of(child);
}
static void* run_nothing(void* argument) {
  return argument;
}
static int try_thread(void) {
  pthread_t thread;
  const int error = pthread_create(&thread, NULL, run_nothing, NULL);
  if (error == 0) {
    pthread_join(thread, NULL);
  }
  return error;
}

static void look_around(const char* file, char* text, size_t size) {
  /* socket() with the family hidden in a 64-bit register that the kernel cuts to 32 bits */
  const long smuggled = syscall(SYS_socket, (1L << 32) | AF_INET, SOCK_DGRAM, 0);
  const int smuggle = of(smuggled);
  snprintf(
      text, size,
      "{\"inet\":%d,\"inet_smuggled\":%d,\"unix\":%d,\"netlink\":%d,\"packet\":%d,\"exec\":%d,"
      "\"fork\":%d,"
      "\"thread\":%d,\"kill_parent\":%d,\"ptrace\":%d,\"unshare\":%d,\"chmod\":%d,"
      "\"read_passwd\":%d,\"list_root\":%d,\"read_self\":%d,\"read_file\":%d,\"write_file\":%d,"
      "\"create\":%d,\"unlink\":%d}",
      try_socket(AF_INET, SOCK_STREAM), smuggle, try_socket(AF_UNIX, SOCK_STREAM),
      try_socket(AF_NETLINK, SOCK_RAW), try_socket(AF_PACKET, SOCK_RAW), try_exec(), try_fork(),
      try_thread(), of(kill(getppid(), 0)), of(ptrace(PTRACE_TRACEME, 0, 0, 0)),
      of(unshare(CLONE_NEWNS)), of(chmod(file, 0644)), try_open("/etc/passwd", O_RDONLY),
      try_open("/", O_RDONLY | O_DIRECTORY), try_open("/proc/self/status", O_RDONLY),
      try_open(file, O_RDONLY), try_open(file, O_RDWR),
      try_open("/tmp/creel-curious-file", O_WRONLY | O_CREAT), of(unlink(file)));
}

static int32_t device_open(const char* config_json, const creel_services* services,
                           creel_device** out) {
  (void)services;
  creel_device* d = calloc(1, sizeof *d);
  const char* found = strstr(config_json, "\"file\":\"");
  if (found == NULL || sscanf(found + 8, "%511[^\"]", d->file) != 1) {
    strcpy(d->file, "/nonexistent");
  }
  look_around(d->file, d->during_open, sizeof d->during_open);
  *out = d;
  return 0;
}
static void device_close(creel_device* d) {
  free(d);
}
static const char* device_describe(creel_device* d) {
  return d->during_open;
}
static const char* device_settings(creel_device* d) {
  look_around(d->file, d->now, sizeof d->now);
  return d->now;
}
static int32_t device_make_safe(creel_device* d) {
  (void)d;
  return 0;
}
static const char* device_last_error(creel_device* d) {
  (void)d;
  return "";
}
static int32_t gauge_read(creel_device* d, creel_reading* readings, uint32_t capacity) {
  (void)d, (void)readings, (void)capacity;
  return 0;
}

static const creel_device_calls device_calls = {
    sizeof device_calls, 0,    device_open,      device_close,     device_describe,
    device_settings,     NULL, device_make_safe, device_last_error};
static const creel_gauge_calls gauge_calls = {sizeof gauge_calls, 0, gauge_read};
static const creel_offer offer = {
    sizeof(creel_offer), CREEL_KIND_GAUGE, &device_calls, NULL, NULL, NULL, &gauge_calls};
static const creel_offer* const offers[] = {&offer};
static const creel_plugin plugin = {
    sizeof(creel_plugin), CREEL_ABI_MAJOR, "curious", "0", 1, 0, offers};

CREEL_EXPORT const creel_plugin* creel_plugin_entry(void) {
  return &plugin;
}
