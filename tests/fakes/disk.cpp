#include "tests/fakes/disk.h"

#include <algorithm>
#include <cstring>

namespace creel::fakes {

namespace {

// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014): enough chance for a choice per page.
std::uint64_t next_random(std::uint64_t& state) {
  std::uint64_t z = (state += 0x9E3779B97F4A7C15ULL);
  z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9ULL;
  z = (z ^ (z >> 27)) * 0x94D049BB133111EBULL;
  return z ^ (z >> 31);
}

// Without double slashes, "." and a slash at the end; "/" and "." are "".
std::string tidy(const std::string& path) {
  std::string clean;
  for (std::size_t begin = 0; begin < path.size();) {
    const auto end = std::min(path.find('/', begin), path.size());
    const auto part = path.substr(begin, end - begin);
    if (!part.empty() && part != ".") {
      clean += "/" + part;
    }
    begin = end + 1;
  }
  return clean;
}

std::string parent(const std::string& clean) {
  return clean.substr(0, std::min(clean.rfind('/'), clean.size()));
}

Error dead_error() {
  return {ErrorCode::storage_failed, "fake disk: this process has ended"};
}

Error fault_error(const std::string& path, const char* what, DiskFault how) {
  return {ErrorCode::storage_failed,
          path + ": cannot " + what + ": " +
              (how == DiskFault::io_error ? "Input/output error" : "No space left on device")};
}

Error missing(const std::string& path) {
  return {ErrorCode::storage_failed, path + ": cannot open: No such file or directory"};
}

}  // namespace

class FakeFile final : public File {
 public:
  FakeFile(FakeDisk& disk, std::uint64_t inode, std::string path, bool writable)
      : disk_(&disk),
        inode_(inode),
        generation_(disk.generation_),
        path_(std::move(path)),
        writable_(writable) {}

  ~FakeFile() override {
    const std::lock_guard lock(disk_->mutex_);
    if (generation_ != disk_->generation_) {
      return;
    }
    auto& inode = disk_->state_.inodes.at(inode_);
    inode.open -= 1;
    inode.shared_locks -= shared_ ? 1 : 0;
    inode.exclusive_lock = inode.exclusive_lock && !exclusive_;
    if (inode.open == 0) {
      disk_->collect();
    }
  }

  Result<void> write_at(std::uint64_t offset, std::span<const std::byte> bytes) override {
    const std::lock_guard lock(disk_->mutex_);
    if (stale() || !writable_) {
      return stale() ? dead_error() : fault_error(path_, "write", DiskFault::io_error);
    }
    return disk_->write(inode(), path_, offset, bytes);
  }

  Result<std::size_t> read_at(std::uint64_t offset, std::span<std::byte> bytes) override {
    const std::lock_guard lock(disk_->mutex_);
    if (stale()) {
      return dead_error();
    }
    const auto& from = inode();
    const auto there = offset < from.size ? from.size - offset : 0;
    const auto count = static_cast<std::size_t>(std::min<std::uint64_t>(bytes.size(), there));
    for (std::size_t done = 0; done < count;) {
      const auto at = offset + done;
      const auto within = static_cast<std::size_t>(at % FakeDisk::kPage);
      const auto part = std::min<std::size_t>(count - done, FakeDisk::kPage - within);
      const auto page = from.pages.find(at / FakeDisk::kPage);
      if (page == from.pages.end()) {
        std::memset(bytes.data() + done, 0, part);
      } else {
        std::memcpy(bytes.data() + done, page->second->data() + within, part);
      }
      done += part;
    }
    return count;
  }

  Result<void> sync() override {
    const std::lock_guard lock(disk_->mutex_);
    if (stale()) {
      return dead_error();
    }
    const auto step = disk_->begin_sync();
    if (step == FakeDisk::Step::die) {
      return dead_error();
    }
    if (step == FakeDisk::Step::fail) {
      for (auto& [index, page] : inode().unsynced) {
        page.dirty = false;
      }
      return fault_error(path_, "sync", disk_->sync_plan_.how);
    }
    FakeDisk::make_durable(inode());
    return {};
  }

  Result<std::uint64_t> size() override {
    const std::lock_guard lock(disk_->mutex_);
    if (stale()) {
      return dead_error();
    }
    return inode().size;
  }

  Result<void> resize(std::uint64_t bytes) override {
    const std::lock_guard lock(disk_->mutex_);
    if (stale()) {
      return dead_error();
    }
    if (auto error = disk_->begin_change(path_)) {
      return *error;
    }
    if (bytes < inode().size) {
      disk_->shrink(inode(), bytes);
    }
    inode().size = bytes;
    return {};
  }

  Result<void> reserve(std::uint64_t bytes) override {
    const std::lock_guard lock(disk_->mutex_);
    if (stale()) {
      return dead_error();
    }
    if (auto error = disk_->begin_change(path_)) {
      return *error;
    }
    auto& file = inode();
    const auto pages = (bytes + FakeDisk::kPage - 1) / FakeDisk::kPage;
    if (pages > file.reserved_pages) {
      std::uint64_t more = pages - file.reserved_pages;
      for (const auto& [index, page] : file.pages) {
        more -= index >= file.reserved_pages && index < pages ? 1 : 0;
      }
      if ((disk_->state_.used_pages + more) * FakeDisk::kPage > disk_->state_.capacity) {
        return fault_error(path_, "set space aside", DiskFault::no_space);
      }
      disk_->state_.used_pages += more;
      file.reserved_pages = pages;
    }
    file.size = std::max(file.size, bytes);
    return {};
  }

  Result<void> lock_shared() override {
    const std::lock_guard lock(disk_->mutex_);
    if (stale()) {
      return dead_error();
    }
    if (shared_ || (inode().exclusive_lock && !exclusive_)) {
      return shared_ ? Result<void>() : in_use();
    }
    inode().exclusive_lock = false;
    exclusive_ = false;
    shared_ = true;
    inode().shared_locks += 1;
    return {};
  }

  Result<void> lock_exclusive() override {
    const std::lock_guard lock(disk_->mutex_);
    if (stale()) {
      return dead_error();
    }
    const auto others = inode().shared_locks - (shared_ ? 1 : 0);
    if (exclusive_) {
      return {};
    }
    if (others > 0 || inode().exclusive_lock) {
      return in_use();
    }
    inode().shared_locks = 0;
    inode().exclusive_lock = true;
    shared_ = false;
    exclusive_ = true;
    return {};
  }

 private:
  bool stale() const { return disk_->dead_ || generation_ != disk_->generation_; }
  FakeDisk::Inode& inode() const { return disk_->state_.inodes.at(inode_); }
  Error in_use() const { return {ErrorCode::refused, path_ + ": another process is using it"}; }

  FakeDisk* disk_;
  std::uint64_t inode_;
  std::uint64_t generation_;
  std::string path_;
  bool writable_;
  bool shared_ = false;
  bool exclusive_ = false;
};

// Contents and names.

std::optional<Error> FakeDisk::begin_change(const std::string& path) {
  if (dead_) {
    return dead_error();
  }
  if (counts_.changes++ == die_at_change_) {
    dead_ = true;
    return dead_error().during(path);
  }
  return std::nullopt;
}

FakeDisk::Step FakeDisk::begin_write() {
  const bool fail = write_plan_.hits(counts_.writes++);
  if (counts_.changes++ == die_at_change_) {
    dead_ = true;
    return Step::die;
  }
  return fail ? Step::fail : Step::go_on;
}

FakeDisk::Step FakeDisk::begin_sync() {
  const bool die = counts_.syncs == die_at_sync_ || counts_.changes == die_at_change_;
  const bool fail = sync_plan_.hits(counts_.syncs);
  counts_.syncs += 1;
  counts_.changes += 1;
  dead_ = dead_ || die;
  return die ? Step::die : fail ? Step::fail : Step::go_on;
}

Result<void> FakeDisk::write(Inode& inode, const std::string& path, std::uint64_t offset,
                             std::span<const std::byte> bytes) {
  const auto step = begin_write();
  // A write that does not end well has still done a part; which part differs from one to the next.
  std::uint64_t random = counts_.changes;
  const auto part = step == Step::go_on
                        ? bytes.size()
                        : static_cast<std::size_t>(next_random(random) % (bytes.size() + 1));
  bool full = false;
  for (std::size_t done = 0; done < part && !full;) {
    const auto at = offset + done;
    const auto chunk = std::min<std::size_t>(part - done, kPage - at % kPage);
    full = !put_page(inode, at, bytes.subspan(done, chunk));
    done += full ? 0 : chunk;
  }
  counts_.bytes_written += part;
  if (step == Step::die) {
    return dead_error();
  }
  if (step == Step::fail || full) {
    return fault_error(path, "write", full ? DiskFault::no_space : write_plan_.how);
  }
  return {};
}

void FakeDisk::note_unsynced(Inode& inode, std::uint64_t page) {
  const auto now = inode.pages.find(page);
  auto [entry, fresh] = inode.unsynced.try_emplace(
      page, Unsynced{now == inode.pages.end() ? nullptr : now->second, true});
  entry->second.dirty = true;
}

bool FakeDisk::put_page(Inode& inode, std::uint64_t offset, std::span<const std::byte> bytes) {
  const auto index = offset / kPage;
  const bool fresh = !inode.pages.contains(index);
  if (fresh && index >= inode.reserved_pages) {
    if ((state_.used_pages + 1) * kPage > state_.capacity) {
      return false;
    }
    state_.used_pages += 1;
  }
  note_unsynced(inode, index);
  auto& page = inode.pages[index];
  if (!page) {
    page = std::make_shared<Page>();
  } else if (page.use_count() > 1) {
    page = std::make_shared<Page>(*page);
  }
  std::memcpy(page->data() + offset % kPage, bytes.data(), bytes.size());
  inode.size = std::max(inode.size, offset + bytes.size());
  return true;
}

void FakeDisk::shrink(Inode& inode, std::uint64_t bytes) {
  const auto keep = (bytes + kPage - 1) / kPage;
  std::vector<std::uint64_t> gone;
  for (const auto& [index, page] : inode.pages) {
    if (index >= keep) {
      gone.push_back(index);
    }
  }
  for (const auto index : gone) {
    note_unsynced(inode, index);
    inode.pages.erase(index);
    state_.used_pages -= index >= inode.reserved_pages ? 1 : 0;
  }
  if (inode.reserved_pages > keep) {
    state_.used_pages -= inode.reserved_pages - keep;
    inode.reserved_pages = keep;
  }
  const auto last = inode.pages.find(bytes / kPage);
  if (bytes % kPage != 0 && last != inode.pages.end()) {
    note_unsynced(inode, bytes / kPage);
    last->second = std::make_shared<Page>(*last->second);
    std::fill(last->second->begin() + static_cast<std::ptrdiff_t>(bytes % kPage),
              last->second->end(), std::byte{0});
  }
}

void FakeDisk::make_durable(Inode& inode) {
  std::erase_if(inode.unsynced, [](const auto& entry) { return entry.second.dirty; });
  inode.durable_size = inode.size;
}

void FakeDisk::apply(Names& names, const NameChange& change) {
  if (!change.removed.empty()) {
    names.erase(change.removed);
  }
  if (!change.added.empty()) {
    names[change.added] = change.node;
  }
}

void FakeDisk::change_names(NameChange change) {
  apply(state_.names, change);
  const auto& place = change.added.empty() ? change.removed : change.added;
  if (!change.removed.empty() && !change.added.empty() &&
      parent(change.removed) != parent(change.added)) {
    state_.pending[parent(change.removed)].push_back({change.removed, "", {}});
    change.removed.clear();
  }
  state_.pending[parent(place)].push_back(std::move(change));
  collect();
}

// Frees the files that no name and no open file refers to.
void FakeDisk::collect() {
  std::map<std::uint64_t, bool> used;
  for (const auto* names : {&state_.names, &state_.durable_names}) {
    for (const auto& [path, node] : *names) {
      used[node.inode] = true;
    }
  }
  for (const auto& [directory, changes] : state_.pending) {
    for (const auto& change : changes) {
      used[change.node.inode] = true;
    }
  }
  for (auto entry = state_.inodes.begin(); entry != state_.inodes.end();) {
    if (entry->second.open > 0 || used.contains(entry->first)) {
      ++entry;
    } else {
      shrink(entry->second, 0);
      entry = state_.inodes.erase(entry);
    }
  }
}

// The Disk interface.

Result<std::unique_ptr<File>> FakeDisk::open(const std::string& path, OpenMode mode) {
  const std::lock_guard lock(mutex_);
  if (dead_) {
    return dead_error();
  }
  const auto clean = tidy(path);
  auto found = state_.names.find(clean);
  const bool creates = mode == OpenMode::create_new || mode == OpenMode::create_or_open;
  if (found != state_.names.end() && (found->second.directory || mode == OpenMode::create_new)) {
    return Error{ErrorCode::storage_failed, path + ": cannot create: File exists"};
  }
  if (found == state_.names.end()) {
    const auto folder = parent(clean);
    const auto above = state_.names.find(folder);
    if (!creates ||
        (!folder.empty() && (above == state_.names.end() || !above->second.directory))) {
      return missing(path);
    }
    if (auto error = begin_change(path)) {
      return *error;
    }
    const auto id = state_.next_inode++;
    state_.inodes[id].open = 1;
    change_names({"", clean, {false, id}});
    return std::unique_ptr<File>(std::make_unique<FakeFile>(*this, id, path, true));
  }
  state_.inodes.at(found->second.inode).open += 1;
  return std::unique_ptr<File>(
      std::make_unique<FakeFile>(*this, found->second.inode, path, mode != OpenMode::read));
}

bool FakeDisk::exists(const std::string& path) {
  const std::lock_guard lock(mutex_);
  const auto clean = tidy(path);
  return !dead_ && (clean.empty() || state_.names.contains(clean));
}

Result<void> FakeDisk::create_directories(const std::string& path) {
  const std::lock_guard lock(mutex_);
  const auto clean = tidy(path);
  for (std::size_t end = 1; end < clean.size() + 1; ++end) {
    end = std::min(clean.find('/', end), clean.size());
    const auto part = clean.substr(0, end);
    const auto found = state_.names.find(part);
    if (found != state_.names.end() && !found->second.directory) {
      return Error{ErrorCode::storage_failed, path + ": cannot create the directory: File exists"};
    }
    if (found == state_.names.end()) {
      if (auto error = begin_change(path)) {
        return *error;
      }
      change_names({"", part, {true, 0}});
    }
  }
  return dead_ ? Result<void>(dead_error()) : Result<void>();
}

Result<std::vector<std::string>> FakeDisk::list(const std::string& path) {
  const std::lock_guard lock(mutex_);
  const auto clean = tidy(path);
  const auto found = state_.names.find(clean);
  if (dead_ || (!clean.empty() && (found == state_.names.end() || !found->second.directory))) {
    return dead_ ? dead_error() : missing(path);
  }
  std::vector<std::string> names;
  for (auto entry = state_.names.upper_bound(clean + "/"); entry != state_.names.end(); ++entry) {
    if (entry->first.compare(0, clean.size() + 1, clean + "/") != 0) {
      break;
    }
    if (parent(entry->first) == clean) {
      names.push_back(entry->first.substr(clean.size() + 1));
    }
  }
  std::sort(names.begin(), names.end());
  return names;
}

Result<void> FakeDisk::rename(const std::string& from, const std::string& to) {
  const std::lock_guard lock(mutex_);
  const auto clean = tidy(from);
  const auto found = state_.names.find(clean);
  const auto target = state_.names.find(tidy(to));
  if (found == state_.names.end() || found->second.directory) {
    return dead_ ? dead_error() : missing(from);
  }
  if (target != state_.names.end() && target->second.directory) {
    return Error{ErrorCode::storage_failed, from + ": cannot rename to " + to + ": Is a directory"};
  }
  if (auto error = begin_change(from)) {
    return *error;
  }
  change_names({clean, tidy(to), found->second});
  return {};
}

Result<void> FakeDisk::remove_file(const std::string& path) {
  const std::lock_guard lock(mutex_);
  const auto clean = tidy(path);
  const auto found = state_.names.find(clean);
  if (found == state_.names.end() || found->second.directory) {
    return dead_ ? dead_error() : missing(path);
  }
  if (auto error = begin_change(path)) {
    return *error;
  }
  change_names({clean, "", {}});
  return {};
}

Result<void> FakeDisk::remove_directory(const std::string& path) {
  auto inside = list(path);
  if (!inside.ok() || !inside->empty()) {
    return inside.ok()
               ? Error{ErrorCode::storage_failed, path + ": cannot remove: Directory not empty"}
               : inside.error();
  }
  const std::lock_guard lock(mutex_);
  if (auto error = begin_change(path)) {
    return *error;
  }
  change_names({tidy(path), "", {}});
  return {};
}

Result<void> FakeDisk::sync_directory(const std::string& path) {
  const std::lock_guard lock(mutex_);
  const auto clean = tidy(path);
  if (dead_ || (!clean.empty() && !state_.names.contains(clean))) {
    return dead_ ? dead_error() : missing(path);
  }
  const auto step = begin_sync();
  if (step != Step::go_on) {
    return step == Step::die ? dead_error() : fault_error(path, "sync", sync_plan_.how);
  }
  for (const auto& change : state_.pending[clean]) {
    apply(state_.durable_names, change);
  }
  state_.pending.erase(clean);
  collect();
  return {};
}

Result<std::uint64_t> FakeDisk::free_bytes(const std::string&) {
  const std::lock_guard lock(mutex_);
  const auto used = state_.used_pages * kPage;
  return used < state_.capacity ? state_.capacity - used : 0;
}

// Faults.

FakeDisk::FakeDisk(const FakeDisk& other) {
  const std::lock_guard lock(other.mutex_);
  state_ = other.state_;
  for (auto& [id, inode] : state_.inodes) {
    inode.open = inode.shared_locks = 0;
    inode.exclusive_lock = false;
  }
  collect();
}

FakeDisk& FakeDisk::operator=(const FakeDisk& other) {
  if (this != &other) {
    const FakeDisk copy(other);
    const std::lock_guard lock(mutex_);
    state_ = copy.state_;
    counts_ = {};
    restart();
  }
  return *this;
}

void FakeDisk::reset_counts() {
  const std::lock_guard lock(mutex_);
  counts_ = {};
}

FakeDisk::Counts FakeDisk::counts() const {
  const std::lock_guard lock(mutex_);
  return counts_;
}

void FakeDisk::fail_writes(std::uint64_t k, std::uint64_t times, DiskFault how) {
  const std::lock_guard lock(mutex_);
  write_plan_ = {k, times, how};
}

void FakeDisk::fail_syncs(std::uint64_t k, std::uint64_t times, DiskFault how) {
  const std::lock_guard lock(mutex_);
  sync_plan_ = {k, times, how};
}

void FakeDisk::die_at_change(std::uint64_t k) {
  const std::lock_guard lock(mutex_);
  die_at_change_ = k;
}

void FakeDisk::die_at_sync(std::uint64_t k) {
  const std::lock_guard lock(mutex_);
  die_at_sync_ = k;
}

bool FakeDisk::dead() const {
  const std::lock_guard lock(mutex_);
  return dead_;
}

void FakeDisk::set_capacity(std::uint64_t bytes) {
  const std::lock_guard lock(mutex_);
  state_.capacity = bytes;
}

// The end of the process: its open files and locks are gone, and so are the plans made for it.
void FakeDisk::restart() {
  generation_ += 1;
  dead_ = false;
  write_plan_ = sync_plan_ = {};
  die_at_change_ = die_at_sync_ = std::numeric_limits<std::uint64_t>::max();
  for (auto& [id, inode] : state_.inodes) {
    inode.open = inode.shared_locks = 0;
    inode.exclusive_lock = false;
  }
  collect();
}

void FakeDisk::kill() {
  const std::lock_guard lock(mutex_);
  restart();
}

void FakeDisk::power_cut(std::uint64_t seed) {
  const std::lock_guard lock(mutex_);
  std::uint64_t random = seed;
  for (auto& [directory, changes] : state_.pending) {
    // A journal writes names in order, so what survives is a beginning of the changes.
    const auto kept = next_random(random) % (changes.size() + 1);
    for (std::uint64_t k = 0; k < kept; ++k) {
      apply(state_.durable_names, changes[k]);
    }
  }
  state_.pending.clear();
  state_.names.clear();
  for (const auto& [path, node] : state_.durable_names) {
    const auto folder = parent(path);
    if (folder.empty() || state_.names.contains(folder)) {
      state_.names[path] = node;
    }
  }
  state_.durable_names = state_.names;
  for (auto& [id, inode] : state_.inodes) {
    settle(inode, random);
  }
  restart();
}

// Decides for every unsynced page whether the medium has the old one, the new one, or sectors of
// both.
void FakeDisk::settle(Inode& inode, std::uint64_t& random) {
  constexpr std::uint64_t kSector = 512;
  const auto size = next_random(random) % 2 == 0 ? inode.durable_size : inode.size;
  for (auto& [index, entry] : inode.unsynced) {
    const auto choice = next_random(random) % 4;
    const auto found = inode.pages.find(index);
    const PagePtr now = found == inode.pages.end() ? nullptr : found->second;
    // A file is cut off as a whole or not at all: its size is one entry in the file system's
    // journal, and no page inside a size that stayed is lost to a cut that did not happen.
    const bool cut_off = now == nullptr && inode.size < inode.durable_size;
    if (cut_off ? size == inode.size : choice < 2) {
      continue;  // the new page got there
    }
    auto page = entry.durable ? std::make_shared<Page>(*entry.durable) : std::make_shared<Page>();
    for (std::uint64_t sector = 0; choice == 3 && now && sector < kPage / kSector; ++sector) {
      if (next_random(random) % 2 == 0) {
        std::memcpy(page->data() + sector * kSector, now->data() + sector * kSector, kSector);
      }
    }
    state_.used_pages += found == inode.pages.end() && index >= inode.reserved_pages ? 1 : 0;
    inode.pages[index] = page;
  }
  inode.unsynced.clear();
  shrink(inode, size);
  inode.size = inode.durable_size = size;
  inode.unsynced.clear();
}

FakeDisk FakeDisk::after_kill() const {
  FakeDisk copy(*this);
  copy.kill();
  return copy;
}

FakeDisk FakeDisk::after_power_cut(std::uint64_t seed) const {
  FakeDisk copy(*this);
  copy.power_cut(seed);
  return copy;
}

// Damage.

FakeDisk::Inode& FakeDisk::must_find(const std::string& path) {
  const auto found = state_.names.find(tidy(path));
  CREEL_INVARIANT(found != state_.names.end() && !found->second.directory,
                  "the file to damage exists");
  return state_.inodes.at(found->second.inode);
}

void FakeDisk::flip_bit(const std::string& path, std::uint64_t offset, unsigned bit) {
  const std::lock_guard lock(mutex_);
  auto& inode = must_find(path);
  CREEL_INVARIANT(offset < inode.size, "the bit to flip is in the file");
  auto& page = inode.pages[offset / kPage];
  page = page ? std::make_shared<Page>(*page) : std::make_shared<Page>();
  (*page)[offset % kPage] ^= static_cast<std::byte>(1U << bit);
}

void FakeDisk::truncate(const std::string& path, std::uint64_t bytes) {
  const std::lock_guard lock(mutex_);
  auto& inode = must_find(path);
  shrink(inode, bytes);
  inode.size = bytes;
  make_durable(inode);
}

void FakeDisk::put(const std::string& path, std::string_view bytes) {
  const std::lock_guard lock(mutex_);
  const auto clean = tidy(path);
  const auto id = state_.next_inode++;
  auto& inode = state_.inodes[id];
  const auto data = std::as_bytes(std::span(bytes));
  for (std::size_t done = 0; done < data.size(); done += kPage) {
    put_page(inode, done, data.subspan(done, std::min<std::size_t>(kPage, data.size() - done)));
  }
  make_durable(inode);
  state_.names[clean] = state_.durable_names[clean] = {false, id};
  collect();
}

}  // namespace creel::fakes
