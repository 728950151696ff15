// What the simulated devices do to the world: shutters and stages append events to a log, and
// everything else is a function of seed, log and time.
#pragma once

#include <cstdint>

namespace creel::sim {

/// Who acts. The number is part of the shared log's layout (drivers/simulated/shared_log.h).
enum class Channel : std::uint8_t {
  beam = 0,     ///< shutter above the specimen: the only one that ends dose. Closed until it says
                ///< otherwise
  cathode = 1,  ///< shutter in the laser to the cathode: open unless there is one
  below = 2,    ///< shutter between specimen and detector: open unless there is one
  pump = 3,     ///< shutter of the pump laser to the specimen: open unless there is one
  stage_x = 4,  ///< specimen stage, steps of 10 nm; 0 at the start
  stage_y = 5,  ///< as stage_x
  delay = 6,    ///< delay line, steps of 10 fs
  energy_offset = 7,  ///< offset supply of the spectrometer, steps of 20 meV
  attenuator = 8,  ///< in the laser to the cathode, steps of 1e-4 of its power; all until it moves
};
constexpr int kChannels = 9;

/// value: 1 = passes and 0 = blocks for shutters; position in steps for stages, -65536..65535.
struct Event {
  std::int64_t t_ns = 0;  ///< world time at which it takes effect
  Channel channel = Channel::beam;
  std::int32_t value = 0;
};

constexpr double kStageStep_um = 0.01;
constexpr double kDelayStep_ps = 0.01;
constexpr double kEnergyStep_eV = 0.02;
constexpr double kAttenuatorStep = 1e-4;
constexpr int kAttenuatorOpen = 10000;  ///< all of the laser's power

}  // namespace creel::sim
