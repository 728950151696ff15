#include "tests/spectra/night.h"

#include <cmath>
#include <cstring>
#include <span>

namespace creel::spectra {

namespace {

using analysis::FrameInfo;
using analysis::SpectraCollector;

constexpr double kLowLossFirst_ev = -24;
constexpr double kCoreFirst_ev = 200;

std::int64_t ns(double s) {
  return static_cast<std::int64_t>(std::llround(s * 1e9));
}

/// What happens when: exposures with their beginnings, and the shutter's log.
struct Planned {
  ExposureKind kind;
  double begin_s, exposure_s, first_ev;
};
std::vector<Planned> plan(const Night& night) {
  std::vector<Planned> planned;
  double t = night.begin_s;
  const auto add = [&](ExposureKind kind, double exposure_s, double first_ev) {
    planned.push_back({kind, t, exposure_s, first_ev});
    t += exposure_s + 0.05;
  };
  const std::uint32_t before = night.darks * 2 / 5;
  for (std::uint32_t i = 0; i < before; ++i) {
    add(ExposureKind::dark, night.exposure_s, kCoreFirst_ev);
  }
  for (std::uint32_t i = 0; i < night.zero_loss_darks; ++i) {
    add(ExposureKind::dark, night.zero_loss_s, kLowLossFirst_ev);
  }
  for (std::uint32_t i = 0; i < night.exposures; ++i) {
    for (std::uint32_t j = 0; i % night.zero_loss_every == 0 && j < night.zero_loss_count; ++j) {
      add(ExposureKind::zero_loss, night.zero_loss_s, kLowLossFirst_ev);
    }
    add(ExposureKind::specimen, night.exposure_s, kCoreFirst_ev);
  }
  add(ExposureKind::zero_loss, night.zero_loss_s, kLowLossFirst_ev);
  for (std::uint32_t i = before; i < night.darks; ++i) {
    add(ExposureKind::dark, night.exposure_s, kCoreFirst_ev);
  }
  return planned;
}

bool opens(const Planned& one) {
  return one.kind != ExposureKind::dark;
}

std::vector<sim::Event> shutter_log(const std::vector<Planned>& planned) {
  std::vector<sim::Event> events;
  for (const Planned& one : planned) {
    if (opens(one)) {
      events.push_back({ns(one.begin_s), sim::Channel::beam, 1});
      events.push_back({ns(one.begin_s + one.exposure_s), sim::Channel::beam, 0});
    }
  }
  return events;
}

class Recorder {
 public:
  Recorder(const Night& night, const sim::View& view, const sim::Sensor& sensor)
      : night_(night),
        view_(view),
        sensor_(sensor),
        history_(view.laboratory().source, view.seed()) {}

  Result<void> into(const FrameSink& sink) {
    const std::vector<Planned> planned = plan(night_);
    if (!history_.add(shutter_log(planned))) {
      return Error{ErrorCode::internal, "the shutter log is out of order"};
    }
    for (const Planned& one : planned) {
      CREEL_TRY(take(one, sink));
    }
    return {};
  }

 private:
  Result<void> take(const Planned& one, const FrameSink& sink) {
    FrameInfo info;
    info.kind = one.kind;
    info.exposure_set_ns = ns(one.exposure_s);
    info.first_ev =
        one.first_ev + (one.kind == ExposureKind::specimen ? night_.axis_error_ev : 0.0);
    info.middle_s = one.begin_s + 0.5 * one.exposure_s;
    info.dose_before = dose_;
    if (opens(one)) {
      const sim::Source& source = view_.laboratory().source;
      dose_ += night_.dose_scale * one.exposure_s * sim::nominal_current(source) *
               sim::peak_dose_per_electron(source);
    }
    info.dose_after = dose_;
    const sim::Camera& camera = sensor_.camera();
    std::vector<double> columns(camera.columns);
    const double moved = night_.axis_ev ? night_.axis_ev(info.middle_s - night_.begin_s) : 0.0;
    const sim::EnergyAxis axis{kLowLossFirst_ev, kDispersion_ev,
                               one.first_ev - kLowLossFirst_ev + moved};
    view_.expected(history_, ns(one.begin_s), ns(one.begin_s + one.exposure_s), axis, columns);
    sim::Random random = sim::frame_random(view_.seed(), ns(one.begin_s), 0);
    if (night_.noise < 1) {
      std::vector<float> counts(columns.size());
      for (std::size_t c = 0; c < columns.size(); ++c) {
        const double noise = night_.noise * std::sqrt(columns[c] + 1) * random.normal();
        counts[c] = static_cast<float>(columns[c] + noise);
      }
      return sink(info, std::as_bytes(std::span(counts)));
    }
    std::vector<std::uint16_t> frame(static_cast<std::size_t>(camera.rows) * camera.columns);
    if (sensor_.render(columns, one.exposure_s, random, workspace_, frame)) {
      info.flags |= session::kSaturated;
    }
    return sink(info, std::as_bytes(std::span(frame)));
  }

  const Night& night_;
  const sim::View& view_;
  const sim::Sensor& sensor_;
  sim::History history_;
  sim::Sensor::Workspace workspace_;
  double dose_ = 0;
};

}  // namespace

sim::Laboratory end_member(sim::Laboratory laboratory, double fe3, double t_over_lambda) {
  laboratory.specimen.fe3_fraction = {fe3, fe3};
  laboratory.specimen.critical_dose = {1e9, 1e9};
  laboratory.specimen.t_over_lambda = {t_over_lambda, t_over_lambda};
  laboratory.specimen.mass_loss = 0;
  return laboratory;
}

sim::Laboratory ink_laboratory() {
  sim::Laboratory laboratory;
  laboratory.source.profile = sim::Profile::flat;
  laboratory.source.beam_fwhm_nm = 2000;
  laboratory.source.electrons_per_pulse = 6.28;
  return laboratory;
}

sim::Camera ink_camera(std::uint32_t rows) {
  sim::Camera camera;
  camera.rows = rows;
  camera.stripe_fwhm_rows = rows * 0.375 + 0.1;
  camera.spikes_per_s = 0.02;
  return camera;
}

Result<analysis::SessionSpectra> record(const Night& night, const sim::View& view,
                                        const sim::Sensor& sensor,
                                        std::shared_ptr<const analysis::GainMap> gain) {
  SpectraCollector::Setup setup = setup_of(night, sensor.camera());
  setup.gain = night.noise < 1 ? nullptr : std::move(gain);
  SpectraCollector collector(setup);
  CREEL_TRY(each_frame(night, view, sensor, [&](const FrameInfo& info, auto frame) {
    return collector.add(info, frame);
  }));
  return collector.finish();
}

Result<void> each_frame(const Night& night, const sim::View& view, const sim::Sensor& sensor,
                        const FrameSink& sink) {
  return Recorder(night, view, sensor).into(sink);
}

SpectraCollector::Setup setup_of(const Night& night, const sim::Camera& camera) {
  SpectraCollector::Setup setup;
  setup.name = night.name;
  setup.shape = {night.noise < 1 ? 1U : camera.rows, camera.columns,
                 night.noise < 1 ? session::Pixel::f32 : session::Pixel::u16};
  setup.dispersion_ev = kDispersion_ev;
  return setup;
}

std::shared_ptr<const analysis::GainMap> record_gain(const sim::Camera& camera, std::uint64_t seed,
                                                     std::uint32_t frames) {
  sim::Camera even = camera;
  even.stripe_fwhm_rows = 1e6;
  const sim::Sensor sensor(even, seed, 0);  // the pattern depends on the seed, not on the light
  analysis::GainReference reference({camera.rows, camera.columns, session::Pixel::u16});
  sim::Sensor::Workspace workspace;
  std::vector<std::uint16_t> frame(static_cast<std::size_t>(camera.rows) * camera.columns);
  for (std::uint32_t i = 0; i < 2 * frames; ++i) {
    const bool dark = i % 2 == 0;
    const std::vector<double> columns(camera.columns, dark ? 0.0 : 4000.0 * camera.rows);
    sim::Random random = sim::frame_random(seed, i, 77);
    sensor.render(columns, 0.1, random, workspace, frame);
    FrameInfo info;
    info.kind = dark ? ExposureKind::dark : ExposureKind::gain;
    info.exposure_set_ns = ns(0.1);
    if (!reference.add(info, std::as_bytes(std::span(frame)))) {
      return nullptr;
    }
  }
  auto map = reference.map("even light");
  return map ? std::make_shared<const analysis::GainMap>(std::move(*map)) : nullptr;
}

}  // namespace creel::spectra
