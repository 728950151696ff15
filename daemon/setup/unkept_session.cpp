#include "daemon/setup/unkept_session.h"

#include <utility>

namespace creel {

namespace {

class UnkeptSession final : public store::Session {
 public:
  using Seen = std::function<void(std::vector<LiveFrame>, std::string)>;
  UnkeptSession(std::string name, std::string path, const LiveFrames::Setup& setup, Seen seen)
      : name_(std::move(name)), path_(std::move(path)), live_(setup), seen_(std::move(seen)) {}

  Result<void> append_borrowed(session::Record record, std::span<const std::byte> frame) override {
    auto shown = live_.add(record, frame);
    if (!shown.ok()) {
      trouble_ = shown.error().text;
    } else if (*shown) {
      showed_.push_back(**shown);
    }
    ++frames_;
    return {};
  }
  Result<std::uint64_t> commit() override {
    seen_(std::exchange(showed_, {}), std::exchange(trouble_, {}));
    return frames_;
  }
  Result<void> event(const nlohmann::json&) override { return {}; }
  void give_way(bool) override {}
  [[nodiscard]] store::Progress progress() const override { return {}; }
  [[nodiscard]] store::Sealed sealed() const override { return {}; }
  [[nodiscard]] const std::string& name() const override { return name_; }
  [[nodiscard]] std::string path() const override { return path_; }
  [[nodiscard]] Result<store::Headroom> headroom() const override {
    return Error{ErrorCode::refused, "a set-up stores no frame"};
  }
  Result<std::string> fold(const nlohmann::json&,
                           const std::function<void(std::uint64_t, std::uint64_t)>&) override {
    return path_;
  }

 private:
  std::string name_, path_;
  LiveFrames live_;
  Seen seen_;
  std::vector<LiveFrame> showed_;
  std::string trouble_;
  std::uint64_t frames_ = 0;
};

}  // namespace

std::unique_ptr<store::Session> make_unkept_session(
    std::string name, std::string path, const LiveFrames::Setup& setup,
    std::function<void(std::vector<LiveFrame>, std::string trouble)> seen) {
  return std::make_unique<UnkeptSession>(std::move(name), std::move(path), setup, std::move(seen));
}

}  // namespace creel
