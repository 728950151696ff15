#include "drivers/host/services.h"

#include <sys/mman.h>
#include <sys/stat.h>

#include <algorithm>
#include <cstring>
#include <string>
#include <utility>

namespace creel::host {
namespace {

constexpr std::size_t kLongestLine = 1000;
constexpr std::int64_t kNoCall = -1;

// How many cancellations there had been when this thread's driver call began. A wait that begins
// after make_safe, but in a call from before it, must end too.
thread_local std::int64_t call_began_at = kNoCall;
thread_local bool call_is_answered = false;

Services* of(void* context) {
  return static_cast<Services*>(context);
}

Error cannot_map(const char* what) {
  return {ErrorCode::corrupt, std::string("the rig's memory ") + what};
}

Result<std::uint64_t> size_of(const Descriptor& fd) {
  struct stat what {};
  if (::fstat(fd.get(), &what) != 0 || what.st_size < static_cast<off_t>(kWorldPageBytes)) {
    return cannot_map("is smaller than a world page");
  }
  return static_cast<std::uint64_t>(what.st_size);
}

}  // namespace

Result<RigMemory> RigMemory::map(const Descriptor& fd) {
  constexpr int kReadWrite = PROT_READ | PROT_WRITE;
  if (!fd) {
    void* page = ::mmap(nullptr, kWorldPageBytes, kReadWrite, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    if (page == MAP_FAILED) {
      return cannot_map("cannot be made");
    }
    RigMemory memory(static_cast<WorldPage*>(page), kWorldPageBytes);
    WorldTimeline::prepare(memory.page_, false, 0);
    return memory;
  }
  const auto bytes = size_of(fd);
  if (!bytes.ok()) {
    return bytes.error();
  }
  void* page = ::mmap(nullptr, *bytes, PROT_READ, MAP_SHARED, fd.get(), 0);
  if (page == MAP_FAILED) {
    return cannot_map("cannot be mapped");
  }
  RigMemory memory(static_cast<WorldPage*>(page), *bytes);
  if (memory.page_->magic != WorldPage::kMagic) {
    return cannot_map("does not begin with a world page");
  }
  const bool simulated = memory.page_->mode == WorldPage::kAccelerated || memory.shared_bytes() > 0;
  if (simulated && ::mprotect(page, *bytes, kReadWrite) != 0) {
    return cannot_map("cannot be mapped for writing");
  }
  return memory;
}

RigMemory::RigMemory(RigMemory&& other) noexcept
    : page_(std::exchange(other.page_, nullptr)), bytes_(other.bytes_) {}

RigMemory::~RigMemory() {
  if (page_ != nullptr) {
    ::munmap(page_, bytes_);
  }
}

void* RigMemory::shared() const {
  return shared_bytes() == 0 ? nullptr : reinterpret_cast<std::byte*>(page_) + kWorldPageBytes;
}

Services::Services(RigMemory memory, Outbox& outbox)
    : memory_(std::move(memory)), timeline_(memory_.timeline()), outbox_(outbox), table_{} {
  table_.struct_size = sizeof table_;
  table_.context = this;
  table_.world_now_ns = &Services::world_now;
  table_.wait_until_ns = &Services::wait_until;
  table_.log = &Services::log;
  table_.shared_memory = &Services::shared_memory;
  table_.seed = &Services::seed;
}

Services::CallScope::CallScope(const Services& services, bool answered)
    : before_(std::exchange(call_began_at, services.cancelled_.load())),
      answered_before_(std::exchange(call_is_answered, answered)) {}
Services::CallScope::~CallScope() {
  call_began_at = before_;
  call_is_answered = answered_before_;
}

std::int64_t Services::world_now(void* self) {
  return of(self)->timeline_.now().ns;
}

std::int32_t Services::wait_until(void* self, std::int64_t world_ns) {
  const Services& services = *of(self);
  // A thread of the driver's own is in no call: then the wait itself is what may be cancelled.
  const std::int64_t began = call_began_at != kNoCall ? call_began_at : services.cancelled_.load();
  const auto cancelled = [&] { return services.cancelled_.load() != began; };
  if (cancelled()) {
    return CREEL_E_CANCELLED;
  }
  return services.timeline_.wait_until(WorldTime{world_ns}, cancelled, call_is_answered)
             ? 0
             : CREEL_E_CANCELLED;
}

void Services::log(void* self, std::int32_t level, const char* text) {
  if (text != nullptr) {
    of(self)->outbox_.log(level, std::string_view(text, ::strnlen(text, kLongestLine)));
  }
}

void* Services::shared_memory(void* self, std::uint64_t* bytes) {
  const RigMemory& memory = of(self)->memory_;
  if (bytes != nullptr) {
    *bytes = memory.shared_bytes();
  }
  return memory.shared();
}

std::uint64_t Services::seed(void* self) {
  return of(self)->timeline_.seed();
}

}  // namespace creel::host
