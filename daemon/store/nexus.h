// The NeXus tree of a session, the same in whole.h5 and in NAME.h5. Written against the NeXus
// definitions (https://manual.nexusformat.org): base classes, and the tree of the application
// definition NXem, without claiming `definition`: that is for files in which every item NXem
// requires is known.
//
// What nobody knows ("unknown") is left out as a field, and stays in the documents kept verbatim.
// Everything here throws H5::Exception: call it inside session::with_hdf5.
#pragma once

#include <H5Cpp.h>

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "daemon/store/session.h"
#include "protocol/session/reader.h"

namespace creel::store {

/// How the two big data sets are kept: virtual over the pieces, or in the file itself.
struct BigSet {
  H5::DataSpace space;
  H5::DSetCreatPropList properties;
};

/// Shape of the frames data set: [n][columns] for spectra, [n][rows][columns] for images.
std::vector<hsize_t> frames_shape(const session::FrameShape& shape, hsize_t frames);
/// Path of the frames data set of a session with this shape.
std::string frames_path(const session::FrameShape& shape);

/// Lists of events cannot be plotted: their folded session has a spectrum of each frame beside
/// them, its electrons counted by column. The shape and path of those spectra.
session::FrameShape counted_shape(const session::FrameShape& events);
std::string counted_path();

/// Writes the tree and creates the frames and the record data sets in it. `pieces` only for
/// whole.h5, `counted` only for lists of events in NAME.h5.
void write_tree(const H5::H5File& file, const SessionStart& start, const BigSet& frames,
                const BigSet& record, const session::PieceLayout* pieces,
                const BigSet* counted = nullptr);

/// Adds what is known only at the end: times, one value a frame for each of the NeXus fields, the
/// events and the summary. `events` is the text of events.log.
void write_end(const H5::H5File& file, const SessionStart& start,
               std::span<const session::Record> records, const std::string& events,
               const nlohmann::json& summary);

}  // namespace creel::store
