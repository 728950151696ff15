#include "drivers/host/sandbox.h"

#include <fcntl.h>
#include <linux/landlock.h>
#include <sched.h>
#include <seccomp.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstdint>
#include <cstring>
#include <filesystem>
#include <memory>

#include "protocol/host/channel.h"

namespace creel::host {
namespace {

using nlohmann::json;

// ---- Landlock
// -------------------------------------------------------------------------------------------

// Rights that came after the first version of Landlock, by the version that brought them; the
// system's header may be older than its kernel. Source: Linux,
// Documentation/userspace-api/landlock.rst.
constexpr std::uint64_t kRefer = 1ULL << 13;        // 2
constexpr std::uint64_t kTruncate = 1ULL << 14;     // 3
constexpr std::uint64_t kDeviceIoctl = 1ULL << 15;  // 5
constexpr std::uint64_t kTcp = 0b11;                // 4: bind and connect
constexpr std::uint64_t kScopes = 0b11;  // 6: abstract sockets and signals of other processes

struct Ruleset {  // struct landlock_ruleset_attr as of version 6; older kernels want the tail to be
                  // zero
  std::uint64_t files;
  std::uint64_t network;
  std::uint64_t scopes;
};

constexpr std::uint64_t kFilesSinceOne = (1ULL << 13) - 1;
constexpr std::uint64_t kRead = LANDLOCK_ACCESS_FS_READ_FILE | LANDLOCK_ACCESS_FS_READ_DIR;
constexpr std::uint64_t kWrite = kRead | LANDLOCK_ACCESS_FS_WRITE_FILE | kTruncate | kDeviceIoctl;
// Rights that mean something for a file that is not a directory.
constexpr std::uint64_t kOfFiles = LANDLOCK_ACCESS_FS_READ_FILE | LANDLOCK_ACCESS_FS_WRITE_FILE |
                                   LANDLOCK_ACCESS_FS_EXECUTE | kTruncate | kDeviceIoctl;

// No execute right anywhere: loading a library only reads it.
constexpr std::array kAlwaysReadable{"/lib",           "/lib64",
                                     "/usr/lib",       "/usr/lib64",
                                     "/usr/local/lib", "/etc/ld.so.cache",
                                     "/etc/localtime", "/usr/share/zoneinfo",
                                     "/proc/self",     "/sys/devices/system/cpu",
                                     "/dev/zero",      "/dev/random",
                                     "/dev/urandom"};
constexpr std::array kNetworkReadable{"/etc/hosts",    "/etc/resolv.conf", "/etc/nsswitch.conf",
                                      "/etc/gai.conf", "/etc/host.conf",   "/etc/services",
                                      "/etc/protocols"};
constexpr std::array kUsbReadable{"/sys/bus/usb", "/sys/class", "/sys/devices", "/run/udev"};

long landlock(const Ruleset* rules, std::size_t bytes, unsigned flags) {
  return ::syscall(SYS_landlock_create_ruleset, rules, bytes, flags);
}

Ruleset everything_that_exists(long version, const Grants& grants) {
  Ruleset rules{kFilesSinceOne, 0, 0};
  rules.files |= version >= 2 ? kRefer : 0;
  rules.files |= version >= 3 ? kTruncate : 0;
  rules.files |= version >= 5 ? kDeviceIoctl : 0;
  rules.network = version >= 4 && !grants.network ? kTcp : 0;
  rules.scopes = version >= 6 ? kScopes : 0;
  return rules;
}

// False when the path cannot be opened or the kernel refuses the rule; errno says why.
bool allow(int ruleset, const std::string& path, std::uint64_t rights) {
  const Descriptor place(::open(path.c_str(), O_PATH | O_CLOEXEC));
  struct stat what {};
  if (!place || ::fstat(place.get(), &what) != 0) {
    return false;
  }
  landlock_path_beneath_attr rule{};
  rule.allowed_access = S_ISDIR(what.st_mode) ? rights : rights & kOfFiles;
  rule.parent_fd = place.get();
  return ::syscall(SYS_landlock_add_rule, ruleset, LANDLOCK_RULE_PATH_BENEATH, &rule, 0U) == 0;
}

void allow_declared(int ruleset, const std::vector<std::string>& paths, std::uint64_t rights,
                    std::vector<std::string>& warnings) {
  for (const std::string& path : paths) {
    if (!allow(ruleset, path, rights)) {
      warnings.push_back("sandbox: cannot grant " + path + " to the driver (" +
                         std::strerror(errno) + ")");
    }
  }
}

void restrict_files(const Grants& grants, const std::string& plugin_path,
                    std::vector<std::string>& warnings) {
  const long version = landlock(nullptr, 0, LANDLOCK_CREATE_RULESET_VERSION);
  if (version < 1) {
    warnings.emplace_back(
        "sandbox: this kernel has no Landlock; the driver can open any file that its "
        "user can");
    return;
  }
  const Ruleset rules = everything_that_exists(version, grants);
  const Descriptor ruleset(static_cast<int>(landlock(&rules, sizeof rules, 0)));
  const std::uint64_t read = kRead & rules.files;
  const std::uint64_t write = kWrite & rules.files;
  const auto allow_if_there = [&](const auto& paths, std::uint64_t rights) {
    std::for_each(paths.begin(), paths.end(),
                  [&](const char* path) { allow(ruleset.get(), path, rights); });
  };
  allow_if_there(kAlwaysReadable, read);
  allow_if_there(std::array{"/dev/null"}, write);
  if (grants.network) {
    allow_if_there(kNetworkReadable, read);
  }
  if (grants.usb) {
    allow_if_there(kUsbReadable, read);
    allow_if_there(std::array{"/dev/bus/usb"}, write);
  }
  std::error_code ignored;
  const std::filesystem::path plugin = std::filesystem::weakly_canonical(plugin_path, ignored);
  allow(ruleset.get(), plugin.parent_path().string(), read);
  allow_declared(ruleset.get(), grants.read_paths, read, warnings);
  allow_declared(ruleset.get(), grants.write_paths, write, warnings);
  if (::syscall(SYS_landlock_restrict_self, ruleset.get(), 0U) != 0) {
    warnings.push_back(std::string("sandbox: Landlock refused its rules (") + std::strerror(errno) +
                       "); the driver can open any file that its user can");
  }
}

// ---- seccomp
// --------------------------------------------------------------------------------------------

constexpr std::uint32_t kDeny = SCMP_ACT_ERRNO(EPERM);
constexpr std::uint64_t kLow32 = 0xFFFFFFFF;  // the kernel looks at no more of an int argument

// The library's SCMP_A0... are C99 compound literals, which C++ does not have.
scmp_arg_cmp argument(unsigned index, scmp_compare compare, std::uint64_t first,
                      std::uint64_t second = 0) {
  scmp_arg_cmp condition{};
  condition.arg = index;
  condition.op = compare;
  condition.datum_a = first;
  condition.datum_b = second;
  return condition;
}

// Other programs, other processes, the machine itself, and ways around these filters.
constexpr std::array kNeverNeeded{"execve",
                                  "execveat",
                                  "fork",
                                  "vfork",
                                  "ptrace",
                                  "process_vm_readv",
                                  "process_vm_writev",
                                  "process_madvise",
                                  "process_mrelease",
                                  "kcmp",
                                  "pidfd_getfd",
                                  "pidfd_send_signal",
                                  "tkill",
                                  "rt_sigqueueinfo",
                                  "rt_tgsigqueueinfo",
                                  "mount",
                                  "umount2",
                                  "mount_setattr",
                                  "move_mount",
                                  "open_tree",
                                  "fsopen",
                                  "fsconfig",
                                  "fsmount",
                                  "fspick",
                                  "pivot_root",
                                  "chroot",
                                  "setns",
                                  "unshare",
                                  "bpf",
                                  "userfaultfd",
                                  "perf_event_open",
                                  "io_uring_setup",
                                  "io_uring_enter",
                                  "io_uring_register",
                                  "init_module",
                                  "finit_module",
                                  "delete_module",
                                  "kexec_load",
                                  "kexec_file_load",
                                  "reboot",
                                  "swapon",
                                  "swapoff",
                                  "keyctl",
                                  "add_key",
                                  "request_key",
                                  "open_by_handle_at",
                                  "settimeofday",
                                  "clock_settime",
                                  "clock_adjtime",
                                  "adjtimex",
                                  "stime",
                                  "sethostname",
                                  "setdomainname",
                                  "acct",
                                  "quotactl",
                                  "quotactl_fd",
                                  "syslog",
                                  "iopl",
                                  "ioperm",
                                  "mknod",
                                  "mknodat",
                                  "chmod",
                                  "fchmod",
                                  "fchmodat",
                                  "chown",
                                  "fchown",
                                  "fchownat",
                                  "lchown",
                                  "setxattr",
                                  "lsetxattr",
                                  "fsetxattr"};

// What only changes names on the disk; a driver that is granted files to write is granted those, no
// others.
constexpr std::array kNamesOnDisk{"rename",  "renameat",  "renameat2", "unlink", "unlinkat",
                                  "mkdir",   "mkdirat",   "rmdir",     "link",   "linkat",
                                  "symlink", "symlinkat", "truncate",  "creat"};

class Filter {
 public:
  Filter() : rules_(seccomp_init(SCMP_ACT_ALLOW), seccomp_release) {}

  template <class... Conditions>
  void refuse(const char* name, Conditions... conditions) {
    refuse_as(kDeny, name, conditions...);
  }
  template <class... Conditions>
  void refuse_as(std::uint32_t action, const char* name, Conditions... conditions) {
    const int number = seccomp_syscall_resolve_name(name);
    if (rules_ != nullptr && number != __NR_SCMP_ERROR) {  // an error: newer than this libseccomp
      failed_ |=
          seccomp_rule_add(rules_.get(), action, number, sizeof...(conditions), conditions...) != 0;
    }
  }
  /// For all threads. "" or why not.
  std::string install() {
    if (rules_ == nullptr || failed_) {
      return "the rules could not be built";
    }
    seccomp_attr_set(rules_.get(), SCMP_FLTATR_ACT_BADARCH, kDeny);
    seccomp_attr_set(rules_.get(), SCMP_FLTATR_CTL_TSYNC, 1);
    const int result = seccomp_load(rules_.get());
    return result == 0 ? "" : std::strerror(-result);
  }

 private:
  std::unique_ptr<void, decltype(&seccomp_release)> rules_;
  bool failed_ = false;
};

void refuse_other_processes(Filter& filter) {
  const auto self = static_cast<std::uint64_t>(::getpid());
  filter.refuse("kill", argument(0, SCMP_CMP_NE, self));
  filter.refuse("tgkill", argument(0, SCMP_CMP_NE, self));
  filter.refuse("prlimit64", argument(0, SCMP_CMP_NE, 0));
  // Threads yes, processes no. clone3 hides its flags from filters; without it the C library uses
  // clone.
  filter.refuse("clone", argument(0, SCMP_CMP_MASKED_EQ, CLONE_THREAD, 0));
  filter.refuse_as(SCMP_ACT_ERRNO(ENOSYS), "clone3");
  // Typing into the terminal that the daemon was started from.
  filter.refuse("ioctl", argument(1, SCMP_CMP_MASKED_EQ, kLow32, TIOCSTI));
}

void refuse_sockets(Filter& filter, const Grants& grants) {
  constexpr int kFamilies = 64;  // AF_MAX is 46 in Linux 6
  for (int family = 0; family < kFamilies; ++family) {
    const bool network = family == AF_INET || family == AF_INET6 || family == AF_UNIX;
    const bool granted = (grants.network && (network || family == AF_NETLINK)) ||
                         (grants.usb && family == AF_NETLINK);  // plugging is announced there
    if (!granted) {
      filter.refuse("socket",
                    argument(0, SCMP_CMP_MASKED_EQ, kLow32, static_cast<std::uint64_t>(family)));
    }
  }
  filter.refuse("socket", argument(0, SCMP_CMP_GE, kFamilies));
}

void refuse_writing(Filter& filter) {
  for (const std::uint64_t bit : {O_WRONLY, O_RDWR, O_CREAT, O_TRUNC}) {
    filter.refuse("open", argument(1, SCMP_CMP_MASKED_EQ, bit, bit));
    filter.refuse("openat", argument(2, SCMP_CMP_MASKED_EQ, bit, bit));
  }
  filter.refuse_as(SCMP_ACT_ERRNO(ENOSYS), "openat2");  // hides its flags too
}

void report(const std::string& fault, std::vector<std::string>& warnings) {
  if (!fault.empty()) {
    warnings.push_back("sandbox: the kernel did not take the system call filter (" + fault +
                       "); the driver is not held back by it");
  }
}

// ---- the "sandbox" object
// -------------------------------------------------------------------------------

Result<void> read_paths(const std::string& key, const json& value,
                        std::vector<std::string>& paths) {
  const bool strings =
      value.is_array() &&
      std::all_of(value.begin(), value.end(), [](const json& path) { return path.is_string(); });
  if (!strings) {
    return Error{ErrorCode::invalid_request, "sandbox, " + key + ": must be a list of paths"};
  }
  paths = value.get<std::vector<std::string>>();
  return {};
}

}  // namespace

Result<Grants> parse_grants(const json& sandbox) {
  if (!sandbox.is_object()) {
    return Error{ErrorCode::invalid_request, "sandbox: must be an object"};
  }
  Grants grants;
  const std::array<std::pair<std::string_view, bool*>, 4> flags{{{"off", &grants.off},
                                                                 {"network", &grants.network},
                                                                 {"usb", &grants.usb},
                                                                 {"tty", &grants.tty}}};
  for (const auto& [key, value] : sandbox.items()) {
    const std::string_view name = key;
    const auto* flag = std::find_if(flags.begin(), flags.end(),
                                    [&](const auto& known) { return known.first == name; });
    if (flag != flags.end()) {
      if (!value.is_boolean()) {
        return Error{ErrorCode::invalid_request, "sandbox, " + key + ": must be true or false"};
      }
      *flag->second = value.get<bool>();
    } else if (key == "read_paths" || key == "write_paths") {
      CREEL_TRY(
          read_paths(key, value, key == "read_paths" ? grants.read_paths : grants.write_paths));
    } else {
      return Error{ErrorCode::invalid_request,
                   "sandbox: there is no '" + key +
                       "'; allowed are network, usb, tty, read_paths, write_paths, off"};
    }
  }
  return grants;
}

std::vector<std::string> enter_sandbox(const Grants& grants, const std::string& plugin_path) {
  std::vector<std::string> warnings;
  ::prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0);
  if (grants.off) {
    warnings.emplace_back(
        "sandbox: switched off by the rig; the driver can do all that its user can");
    return warnings;
  }
  restrict_files(grants, plugin_path, warnings);
  Filter filter;
  for (const char* name : kNeverNeeded) {
    filter.refuse(name);
  }
  refuse_other_processes(filter);
  refuse_sockets(filter, grants);
  report(filter.install(), warnings);
  return warnings;
}

std::vector<std::string> seal_sandbox(const Grants& grants) {
  std::vector<std::string> warnings;
  if (grants.off) {
    return warnings;
  }
  Filter filter;
  for (const char* name : kNamesOnDisk) {
    filter.refuse(name);
  }
  // Filters cannot see paths. Where something is granted, Landlock alone keeps writing to it: a
  // device that was unplugged has to be opened again.
  if (grants.write_paths.empty() && !grants.usb && !grants.tty) {
    refuse_writing(filter);
  }
  report(filter.install(), warnings);
  return warnings;
}

}  // namespace creel::host
