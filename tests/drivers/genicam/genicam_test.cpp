// The genicam driver against the stand-in GigE Vision camera of Debian's aravis-tools, on loopback
// only.
#include <signal.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <numeric>

#include "drivers/kit/conformance.h"

namespace creel::kit::conformance {
namespace {

constexpr const char* kTool = "arv-fake-gv-camera-0.8";

bool installed() {
  static const bool found = [] {
    const char* path = std::getenv("PATH");
    std::string folders = path == nullptr ? "" : path;
    for (std::size_t from = 0; from <= folders.size();) {
      const std::size_t to = std::min(folders.find(':', from), folders.size());
      if (::access((folders.substr(from, to - from) + "/" + kTool).c_str(), X_OK) == 0) {
        return true;
      }
      from = to + 1;
    }
    return false;
  }();
  return found;
}

/// The stand-in as a child process, started when first asked for; ends with this test program.
class FakeCamera {
 public:
  explicit FakeCamera(const char* lost_per_thousand = "0") {
    child_ = ::fork();
    if (child_ == 0) {
      ::prctl(PR_SET_PDEATHSIG, SIGKILL);
      ::execlp(kTool, kTool, "-i", "127.0.0.1", "-s", "CREEL7", "-r", lost_per_thousand, nullptr);
      ::_exit(127);
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(300));
  }
  ~FakeCamera() { end(); }
  FakeCamera(const FakeCamera&) = delete;
  FakeCamera& operator=(const FakeCamera&) = delete;
  void end() {
    if (child_ > 0) {
      ::kill(child_, SIGKILL);
      ::waitpid(child_, nullptr, 0);
      child_ = 0;
    }
  }

 private:
  pid_t child_ = 0;
};

const char* const kConfig = R"({"name": "camera", "camera": "127.0.0.1",
                                "interface_address": "127.0.0.1", "width": 256, "height": 64})";

#define NEEDS_THE_TOOL()                                                                   \
  if (!installed()) {                                                                      \
    GTEST_SKIP() << kTool                                                                  \
                 << " is not installed (Debian package aravis-tools): nothing was tested"; \
  }

std::unique_ptr<FakeCamera>& shared_camera() {
  static std::unique_ptr<FakeCamera> camera;
  return camera;
}

Subject camera(const char* config) {
  Subject subject{"genicam", CREEL_KIND_DETECTOR, config, true, 20'000'000, true, [] {
                    NEEDS_THE_TOOL();
                    if (!shared_camera()) {
                      shared_camera() = std::make_unique<FakeCamera>();
                    }
                  }};
  return subject;
}

INSTANTIATE_TEST_SUITE_P(Genicam, AnyDevice, testing::Values(camera(kConfig)));
INSTANTIATE_TEST_SUITE_P(Genicam, DetectorDevice, testing::Values(camera(kConfig)));

/// A camera opened by hand, for what the suite does not ask.
class GenicamCamera : public testing::Test {
 protected:
  void start_camera(const char* lost_per_thousand) {
    shared_camera().reset();
    camera_ = std::make_unique<FakeCamera>(lost_per_thousand);
    host_.clock(FakeHost::Clock::real);
    offer_ = load("genicam")->offers[0];
    ASSERT_EQ(offer_->device->open(kConfig, host_.services(), &device_), 0)
        << offer_->device->last_error(nullptr);
  }
  void TearDown() override {
    if (offer_ != nullptr) {
      offer_->device->close(device_);
    }
  }
  void arm(std::uint32_t frames) {
    exposure_ = {};
    exposure_.struct_size = sizeof exposure_;
    exposure_.frames = frames;
    exposure_.exposure_ns = 20'000'000;
    ASSERT_EQ(offer_->detector->arm(device_, &exposure_), 0) << offer_->device->last_error(device_);
    ASSERT_EQ(offer_->detector->start(device_), 0) << offer_->device->last_error(device_);
    frame_.assign(std::size_t{exposure_.rows} * exposure_.columns, 0);
  }
  std::int64_t read() {
    info_ = {};
    info_.struct_size = sizeof info_;
    return offer_->detector->read_frame(device_, frame_.data(), frame_.size() * 2, &info_, 1000);
  }

  FakeHost host_;
  std::unique_ptr<FakeCamera> camera_;
  const creel_offer* offer_ = nullptr;
  creel_device* device_ = nullptr;
  creel_exposure exposure_{};
  creel_frame_info info_{};
  std::vector<std::uint16_t> frame_;
};

TEST_F(GenicamCamera, DeliversSixteenBitImagesOfTheAskedRegion) {
  NEEDS_THE_TOOL();
  start_camera("0");
  arm(3);
  EXPECT_EQ(exposure_.pixel, CREEL_PIXEL_U16);
  EXPECT_EQ(exposure_.rows, 64u);
  EXPECT_EQ(exposure_.columns, 256u);
  for (int i = 0; i < 3; ++i) {
    ASSERT_EQ(read(), 64 * 256 * 2) << offer_->device->last_error(device_);
    EXPECT_EQ(info_.flags & CREEL_FRAME_INCOMPLETE, 0u);
    EXPECT_EQ(info_.first, static_cast<std::uint64_t>(i));
    EXPECT_NE(info_.device_stamp, 0u);
    EXPECT_LE(info_.start_ns, host_.now_ns() - exposure_.exposure_ns);
    const auto [least, most] = std::minmax_element(frame_.begin(), frame_.end());
    EXPECT_GT(*most, *least) << "the stand-in draws a slanted ramp";
  }
  const auto identity = nlohmann::json::parse(offer_->device->describe(device_)).at("identity");
  EXPECT_EQ(identity.at("maker"), "Aravis");
  EXPECT_EQ(identity.at("serial"), "CREEL7");
}

TEST_F(GenicamCamera, IsFoundByItsSerialNumberAndTriggeredBySoftware) {
  NEEDS_THE_TOOL();
  start_camera("0");
  offer_->device->close(device_);
  ASSERT_EQ(offer_->device->open(
                R"({"serial": "CREEL7", "trigger": "software", "width": 256, "height": 64})",
                host_.services(), &device_),
            0)
      << offer_->device->last_error(nullptr);
  arm(3);
  std::int64_t last = 0;
  for (int i = 0; i < 3; ++i) {
    ASSERT_GT(read(), 0) << offer_->device->last_error(device_);
    EXPECT_EQ(info_.first, static_cast<std::uint64_t>(i));
    EXPECT_GT(info_.start_ns, last) << "each frame has a trigger of its own";
    last = info_.start_ns;
  }
}

TEST_F(GenicamCamera, FramesWithMissingPacketsAreMarked) {
  NEEDS_THE_TOOL();
  start_camera("200");
  arm(0);
  int marked = 0;
  int got = 0;
  for (int i = 0; i < 60; ++i) {
    const std::int64_t bytes = read();
    ASSERT_GE(bytes, 0) << offer_->device->last_error(device_);
    got += bytes > 0 ? 1 : 0;
    marked += (info_.flags & CREEL_FRAME_INCOMPLETE) != 0 ? 1 : 0;
  }
  EXPECT_GT(got, 0);
  // A fifth of all packets is lost, and a frame has about 25: an unmarked frame was repaired by
  // resending.
  std::printf("  %d frames, %d marked as incomplete\n", got, marked);
  EXPECT_GT(marked, 0);
}

TEST_F(GenicamCamera, ACameraThatGoesAwayIsReportedAsLost) {
  NEEDS_THE_TOOL();
  start_camera("0");
  arm(0);
  ASSERT_GT(read(), 0);
  camera_->end();
  std::int64_t result = 0;
  for (int i = 0; i < 20 && result >= 0; ++i) {
    result = read();
  }
  EXPECT_EQ(result, CREEL_E_DEVICE_LOST);
  EXPECT_STREQ(offer_->device->last_error(device_), "the camera stopped answering");
  EXPECT_EQ(offer_->device->make_safe(device_), 0);
  EXPECT_EQ(offer_->detector->stop(device_), 0);
}

TEST_F(GenicamCamera, AMissingCameraIsNamedWithWhatWasFound) {
  NEEDS_THE_TOOL();
  start_camera("0");
  creel_device* other = nullptr;
  EXPECT_EQ(offer_->device->open(R"({"serial": "NOT-THERE"})", host_.services(), &other),
            CREEL_E_DEVICE_LOST);
  const std::string sentence = offer_->device->last_error(nullptr);
  EXPECT_NE(sentence.find("NOT-THERE"), std::string::npos) << sentence;
  EXPECT_NE(sentence.find("CREEL7"), std::string::npos) << sentence;
}

}  // namespace
}  // namespace creel::kit::conformance
