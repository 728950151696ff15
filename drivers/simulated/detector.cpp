#include "drivers/simulated/detector.h"

#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>

#include "drivers/simulated/world/laboratory_config.h"
#include "sim/arrivals.h"

namespace creel::simulated {
namespace {

constexpr std::int64_t kShortest_ns = 10'000;
constexpr std::int64_t kLongest_ns = 3'600'000'000'000;
constexpr std::int64_t kStep_ns = 1'000;
/// A block of spectra is handed over at least this often.
constexpr std::int64_t kBlock_ns = 50'000'000;

void read_camera(kit::Config& config, sim::Camera& camera) {
  camera.rows = static_cast<std::uint32_t>(config.integer("rows", camera.rows, 1, 8192));
  camera.columns = static_cast<std::uint32_t>(config.integer("columns", camera.columns, 2, 16384));
  camera.gain = config.number("gain", camera.gain, 1e-3, 1e4);
  camera.gain_spread = config.number("gain_spread", camera.gain_spread, 0, 2);
  camera.read_noise = config.number("read_noise", camera.read_noise, 0, 1e4);
  camera.dark_counts_per_s = config.number("dark_counts_per_s", camera.dark_counts_per_s, 0, 1e5);
  camera.offset = config.number("offset", camera.offset, 0, 30000);
  camera.offset_pattern = config.number("offset_pattern", camera.offset_pattern, 0, 1e4);
  camera.gain_pattern = config.number("gain_pattern", camera.gain_pattern, 0, 0.5);
  camera.point_spread = config.number("point_spread", camera.point_spread, 0, 0.3);
  camera.saturation = config.number("saturation", camera.saturation, 1, 65535);
  camera.spikes_per_s = config.number("spikes_per_s", camera.spikes_per_s, 0, 1e4);
  camera.spike_counts = config.number("spike_counts", camera.spike_counts, 1, 1e6);
  camera.stripe_fwhm_rows = config.number("stripe_fwhm_rows", camera.rows * 0.375 + 0.1, 0.1, 1e6);
  camera.counting = config.flag("counting", camera.counting);
}

void read_events(kit::Config& config, DetectorSetup& setup) {
  const bool events = config.choice("delivers", "images", {"images", "events"}) == "events";
  if (!events) {
    return;
  }
  if (!setup.camera.counting) {
    throw kit::Failure(
        CREEL_E_INVALID,
        "config field delivers: given \"events\" with a detector that does not count; "
        "allowed: \"images\", or \"counting\": true with it");
  }
  setup.most_events =
      static_cast<std::uint32_t>(config.integer("most_events", 1 << 18, 1, 1 << 26));
  setup.time_resolution_ns = config.number("time_resolution_ns", 1.0, 0, 1e6);
}

DetectorSetup read_setup(const nlohmann::json& config) {
  DetectorSetup setup;
  kit::Config fields(config);
  setup.which = sim::number_of(fields.text("name", ""));
  read_camera(fields, setup.camera);
  read_events(fields, setup);
  setup.axis.dispersion_ev = fields.number("dispersion_ev", 0.5, 0.005, 5);
  setup.axis.first_channel_ev =
      fields.number("first_channel_ev", -24, sim::kLeastLoss_eV, sim::kMostLoss_eV);
  setup.readout_ns = std::llround(fields.number("readout_ms", 1, 0, 10000) * 1e6);
  const std::size_t bytes = 2ULL * setup.camera.rows * setup.camera.columns;
  const std::int64_t fit = std::max<std::int64_t>(1, (1 << 20) / static_cast<std::int64_t>(bytes));
  const bool together = setup.camera.rows == 1 && setup.most_events == 0;
  setup.frames_per_block = static_cast<std::uint32_t>(
      fields.integer("frames_per_block", together ? std::min<std::int64_t>(64, fit) : 1, 1,
                     setup.most_events == 0 ? 4096 : 1));
  setup.lose_frame = fields.integer("lose_frame", -1, -1, INT32_MAX);
  setup.crash_at_frame = fields.integer("crash_at_frame", -1, -1, INT32_MAX);
  setup.hang_at_frame = fields.integer("hang_at_frame", -1, -1, INT32_MAX);
  setup.flood_after = fields.integer("flood_after", -1, -1, INT32_MAX);
  setup.laboratory = read_laboratory(fields);
  fields.done();
  setup.fingerprint = fingerprint(config);
  const double last = setup.axis.first_channel_ev + setup.axis.dispersion_ev * setup.camera.columns;
  if (last > sim::kMostLoss_eV) {
    throw kit::Failure(CREEL_E_INVALID,
                       "config field first_channel_ev: the last channel would end at " +
                           std::to_string(last) + " eV; the simulated world ends at 1600 eV");
  }
  return setup;
}

}  // namespace

Detector::Detector(const nlohmann::json& config, kit::Services services)
    : Detector(read_setup(config), services) {}

Detector::Detector(DetectorSetup setup, kit::Services services)
    : services_(services),
      setup_(std::move(setup)),
      log_(services, setup_.fingerprint),
      view_(setup_.laboratory, services.seed(), setup_.axis.dispersion_ev),
      sensor_(setup_.camera, services.seed(), setup_.which),
      electrons_(setup_.camera.columns) {}

std::size_t Detector::frame_bytes() const {
  if (setup_.most_events > 0) {
    return setup_.most_events * sizeof(creel_event);
  }
  return 2ULL * setup_.camera.rows * setup_.camera.columns;
}

/// The offsets at which the whole axis stays within the simulated world.
double Detector::offset_limit(bool most) const {
  const double first = setup_.axis.first_channel_ev;
  const double width = setup_.axis.dispersion_ev * setup_.camera.columns;
  return most ? sim::kMostLoss_eV - first - width : sim::kLeastLoss_eV - first;
}

nlohmann::json Detector::describe() {
  const sim::Camera& camera = setup_.camera;
  nlohmann::json made = {
      {"identity",
       {{"maker", "Creel"},
        {"model", camera.counting ? "simulated counting detector" : "simulated detector"},
        {"serial", std::to_string(setup_.which % 100000)},
        {"firmware", "0.1.0"}}},
      {"settings",
       {{"energy_offset_ev",
         {{"type", "number"},
          {"unit", "eV"},
          {"min", offset_limit(false)},
          {"max", offset_limit(true)}}},
        {"illumination", {{"type", "text"}, {"unit", ""}, {"allowed", {"spectrum", "even"}}}}}},
      {"shape", {{"rows", camera.rows}, {"columns", camera.columns}}},
      {"pixel", "u16"},
      {"exposure_ns", {{"min", kShortest_ns}, {"max", kLongest_ns}, {"step", kStep_ns}}},
      {"readout_ns", setup_.readout_ns},
      {"frames_per_block", setup_.frames_per_block},
      {"saturation", static_cast<std::int64_t>(camera.saturation)},
      {"gain", {{"counts_per_electron", camera.counting ? 1.0 : camera.gain}}},
      {"read_noise", camera.counting ? 0.0 : camera.read_noise},
      {"triggers", {"free"}},
      {"can_pause", true}};
  if (setup_.most_events > 0) {
    made["pixel"] = "event";
    made["saturation"] = "unknown";  // no pixel gets full: the list of the whole frame does
    made["events"] = {{"most", setup_.most_events},
                      {"sorted", true},
                      {"time_resolution_ns", setup_.time_resolution_ns}};
  }
  return made;
}

nlohmann::json Detector::settings() {
  return {{"energy_offset_ev", setup_.axis.offset_ev},
          {"illumination", illumination_ == sim::Illumination::even ? "even" : "spectrum"},
          {"dispersion_ev", setup_.axis.dispersion_ev},
          {"first_channel_ev", setup_.axis.first_channel_ev}};
}

void Detector::set(const std::string& name, const nlohmann::json& value) {
  if (name == "illumination") {
    if (value != "spectrum" && value != "even") {
      throw kit::Failure(CREEL_E_INVALID, "setting illumination: given " + value.dump() +
                                              "; allowed: \"spectrum\", \"even\"");
    }
    illumination_ = value == "even" ? sim::Illumination::even : sim::Illumination::spectrum;
    return;
  }
  if (name != "energy_offset_ev") {
    throw kit::Failure(CREEL_E_INVALID,
                       "setting " + name +
                           " is not known or cannot be changed; known: energy_offset_ev, "
                           "illumination");
  }
  if (!value.is_number() || !(value.get<double>() >= offset_limit(false)) ||
      !(value.get<double>() <= offset_limit(true))) {
    throw kit::Failure(CREEL_E_INVALID, "setting energy_offset_ev: given " + value.dump() +
                                            "; allowed: a number from " +
                                            std::to_string(offset_limit(false)) + " to " +
                                            std::to_string(offset_limit(true)) + " eV");
  }
  setup_.axis.offset_ev = value.get<double>();
}

void Detector::arm(creel_exposure& exposure) {
  if (exposure.exposure_ns > kLongest_ns) {
    throw kit::Failure(CREEL_E_INVALID, "exposure: given " + std::to_string(exposure.exposure_ns) +
                                            " ns; allowed: up to one hour");
  }
  exposure_ns_ =
      std::max(kShortest_ns, (exposure.exposure_ns + kStep_ns / 2) / kStep_ns * kStep_ns);
  frames_asked_ = exposure.frames;
  const auto in_time = static_cast<std::uint32_t>(
      std::clamp<std::int64_t>(kBlock_ns / (exposure_ns_ + setup_.readout_ns), 1, 4096));
  block_ = std::min(setup_.frames_per_block, in_time);
  if (frames_asked_ != 0) {
    block_ = std::min(block_, frames_asked_);
  }
  exposure.exposure_ns = exposure_ns_;
  exposure.readout_ns = setup_.readout_ns;
  exposure.rows = setup_.camera.rows;
  exposure.columns = setup_.camera.columns;
  exposure.pixel = setup_.most_events > 0 ? CREEL_PIXEL_EVENT : CREEL_PIXEL_U16;
  exposure.most_events = setup_.most_events;
  exposure.frames_per_block = block_;
}

void Detector::start() {
  start_ns_ = services_.now_ns();
  next_ = 0;
}

/// One frame after another: integrate, read out, integrate.
std::int64_t Detector::begin_ns(std::uint64_t index) const {
  return start_ns_ + static_cast<std::int64_t>(index) * (exposure_ns_ + setup_.readout_ns);
}

/// Everything that devices did until now. Called after the end of an integration: no later event
/// can change it.
void Detector::take_log() {
  if (!history_) {
    history_.emplace(setup_.laboratory.source, services_.seed());
    events_taken_ = 0;
  }
  std::vector<sim::Event> events = log_.read(events_taken_);
  events_taken_ += events.size();
  if (!history_->add(events)) {
    // Someone recorded late what is past already: start over from the whole log.
    history_.emplace(setup_.laboratory.source, services_.seed());
    events = log_.read(0);
    events_taken_ = events.size();
    std::ignore = history_->add(events);
  }
}

/// Fills electrons_ for one frame, and gives the random numbers that it is drawn with.
sim::Random Detector::expect(std::uint64_t index) {
  const std::int64_t begin = begin_ns(index);
  if (illumination_ == sim::Illumination::even) {
    view_.expected_even(*history_, begin, begin + exposure_ns_, electrons_);
  } else {
    view_.expected(*history_, begin, begin + exposure_ns_, setup_.axis, electrons_);
  }
  return sim::frame_random(services_.seed(), begin, setup_.which);
}

bool Detector::render(std::uint64_t index, std::span<std::uint16_t> out) {
  sim::Random random = expect(index);
  return sensor_.render(electrons_, static_cast<double>(exposure_ns_) * 1e-9, random, workspace_,
                        out, illumination_);
}

/// The electrons that the image would count, one by one: when each came has random numbers of its
/// own, so that the image is the same whether or not anybody asks.
void Detector::list(std::uint64_t index, std::span<creel_event> out, creel_frame_info& info) {
  const std::int64_t begin = begin_ns(index);
  counted_.resize(std::size_t{setup_.camera.rows} * setup_.camera.columns);
  sim::Random random = expect(index);
  sensor_.count(electrons_, random, counted_, illumination_);
  const sim::Arrivals arrivals(setup_.laboratory.source,
                               history_->slices(begin, begin + exposure_ns_), begin,
                               begin + exposure_ns_);
  sim::Random when(sim::mix(services_.seed(), sim::Stream::arrival, begin, setup_.which));
  listed_.clear();
  for (std::size_t pixel = 0; pixel < counted_.size(); ++pixel) {
    const auto column = static_cast<std::uint16_t>(pixel % setup_.camera.columns);
    const auto row = static_cast<std::uint16_t>(pixel / setup_.camera.columns);
    for (std::uint32_t i = 0; i < counted_[pixel]; ++i) {
      listed_.push_back({arrivals.draw(setup_.time_resolution_ns, when), column, row, 0});
    }
  }
  std::stable_sort(listed_.begin(), listed_.end(), [](const creel_event& a, const creel_event& b) {
    return a.time_ps < b.time_ps;
  });
  info.events = std::min(listed_.size(), out.size());
  info.events_lost = listed_.size() - info.events;
  info.flags |= info.events_lost > 0 ? CREEL_FRAME_SATURATED : 0U;
  const auto end = std::copy_n(listed_.begin(), info.events, out.begin());
  std::fill(end, out.end(), creel_event{});
}

void Detector::act_out_faults(std::uint64_t index) {
  const auto is = [index](std::int64_t fault) { return fault == static_cast<std::int64_t>(index); };
  if (is(setup_.crash_at_frame)) {
    std::abort();
  }
  while (is(setup_.hang_at_frame)) {
    ::pause();
  }
  while (setup_.flood_after >= 0 && taken_ >= setup_.flood_after) {
    services_.log(CREEL_LOG_WARNING, "a simulated flood of words");
  }
  if (is(setup_.lose_frame)) {
    ++next_;
  }
}

std::size_t Detector::read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                                 std::uint32_t timeout_ms) {
  act_out_faults(next_);
  const std::uint64_t left =
      frames_asked_ == 0 ? block_ : frames_asked_ - std::min<std::uint64_t>(next_, frames_asked_);
  const auto count = static_cast<std::uint32_t>(
      std::min<std::uint64_t>({block_, left, buffer.size() / frame_bytes()}));
  if (count == 0) {
    throw kit::Failure(left == 0 ? CREEL_E_STATE : CREEL_E_INVALID,
                       left == 0 ? "read_frame: the last frame is lost; there is none to come"
                                 : "read_frame: the buffer is too small for one frame");
  }
  const std::int64_t ready = begin_ns(next_ + count - 1) + exposure_ns_ + setup_.readout_ns;
  const std::int64_t limit = services_.now_ns() + std::int64_t{timeout_ms} * 1'000'000;
  if (!services_.wait_until(std::min(ready, limit))) {
    throw kit::Failure(CREEL_E_CANCELLED, "read_frame: stopped while waiting");
  }
  if (limit < ready) {
    return 0;
  }
  take_log();
  info.frames = count;
  info.first = next_;
  info.start_ns = begin_ns(next_);
  info.exposure_ns = exposure_ns_;
  info.period_ns = exposure_ns_ + setup_.readout_ns;
  info.device_stamp = static_cast<std::uint64_t>(info.start_ns);
  if (setup_.most_events > 0) {
    list(next_, {reinterpret_cast<creel_event*>(buffer.data()), setup_.most_events}, info);
    ++next_;
    ++taken_;
    return frame_bytes();
  }
  const std::size_t pixels = frame_bytes() / 2;
  auto* out = reinterpret_cast<std::uint16_t*>(buffer.data());
  for (std::uint32_t i = 0; i < count; ++i) {
    if (render(next_ + i, {out + i * pixels, pixels})) {
      info.flags |= CREEL_FRAME_SATURATED;
    }
  }
  next_ += count;
  taken_ += count;
  return count * frame_bytes();
}

}  // namespace creel::simulated
