// The codecs as HDF5 knows them. Everything here throws H5::Exception: inside with_hdf5 only.
#pragma once

#include <H5Cpp.h>

#include <optional>

#include "protocol/session/codec.h"

namespace creel::session {

/// Makes our own bitshuffle-lz4 the one that HDF5 uses, in place of any plugin. with_hdf5's files
/// (Hdf5Files::access) see to it.
void register_filters();

/// Sets the filters of a codec on the properties of a data set that is to be made.
void set_filters(const H5::DSetCreatPropList& properties, Codec codec, Pixel pixel);

/// The codec that unpacks the chunks of a data set; nothing when its filters are not exactly those
/// of one of ours.
std::optional<Codec> codec_of(const H5::DSetCreatPropList& properties, Pixel pixel);

}  // namespace creel::session
