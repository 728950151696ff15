// Packing against the outside: zlib itself, HDF5's own filters, and the filter plugin of Debian's
// package bitshuffle as h5py loads it.
#include "protocol/session/codec.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>
#include <zlib.h>

#include <array>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <random>

#include "daemon/store/tree.h"
#include "protocol/base/crc32c.h"
#include "protocol/session/electron_event.h"
#include "protocol/session/filters.h"
#include "protocol/session/hdf5.h"
#include "tests/daemon/store/outside.h"

namespace creel::session {
namespace {

using Bytes = std::vector<std::byte>;

constexpr std::array<Pixel, 4> kNumbers = {Pixel::u8, Pixel::u16, Pixel::u32, Pixel::f32};
constexpr std::array<Pixel, 5> kPixels = {Pixel::u8, Pixel::u16, Pixel::u32, Pixel::f32,
                                          Pixel::event};

// Small counts as a detector gives them: mean 3.
Bytes counts(std::size_t pixels, Pixel pixel) {
  std::mt19937 chance(7);
  std::poisson_distribution<std::uint32_t> poisson(3);
  Bytes bytes(pixels * pixel_bytes(pixel));
  for (std::size_t i = 0; i < pixels; ++i) {
    const auto count = poisson(chance);
    const auto real = static_cast<float>(count);
    const ElectronEvent event{i * 1'000'000 + count, static_cast<std::uint16_t>(count), 1, count};
    const void* element = &count;
    if (pixel == Pixel::f32) {
      element = &real;
    } else if (pixel == Pixel::event) {
      element = &event;
    }
    std::memcpy(&bytes[i * pixel_bytes(pixel)], element, pixel_bytes(pixel));
  }
  return bytes;
}

Bytes noise(std::size_t size) {
  std::mt19937_64 chance(11);
  Bytes bytes(size);
  for (auto& byte : bytes) {
    byte = static_cast<std::byte>(chance());
  }
  return bytes;
}

class EveryCodec : public testing::TestWithParam<std::tuple<Codec, Pixel>> {
 protected:
  static Codec codec() { return std::get<0>(GetParam()); }
  static Pixel pixel() { return std::get<1>(GetParam()); }
};
INSTANTIATE_TEST_SUITE_P(All, EveryCodec,
                         testing::Combine(testing::Values(Codec::none, Codec::deflate,
                                                          Codec::bitshuffle_lz4),
                                          testing::ValuesIn(kPixels)),
                         [](const auto& tested) {
                           auto name = std::string(codec_name(std::get<0>(tested.param))) + "_" +
                                       std::string(pixel_name(std::get<1>(tested.param)));
                           std::replace(name.begin(), name.end(), '-', '_');
                           return name;
                         });

TEST_P(EveryCodec, GivesBackWhatItWasGiven) {
  Bytes chunk;
  for (const std::size_t pixels : {1, 7, 8, 9, 64, 127, 128, 129, 1000, 4096, 4099, 262147}) {
    SCOPED_TRACE(std::to_string(pixels) + " pixels");
    for (const auto& frames : {counts(pixels, pixel()), noise(pixels * pixel_bytes(pixel())),
                               Bytes(pixels * pixel_bytes(pixel()))}) {
      pack(codec(), pixel(), frames, chunk);
      ASSERT_LE(chunk.size(), largest_packed(frames.size()));
      Bytes back(frames.size(), std::byte{0x55});
      ASSERT_TRUE(unpack(codec(), pixel(), chunk, back));
      ASSERT_EQ(back, frames);
      back.push_back({});
      ASSERT_FALSE(unpack(codec(), pixel(), chunk, std::span(back).first(frames.size() - 1)));
      back.resize(frames.size() + pixel_bytes(pixel()));
      ASSERT_FALSE(unpack(codec(), pixel(), chunk, back));
    }
  }
}

TEST_P(EveryCodec, SurvivesEveryFlippedBitAndEveryLength) {
  const auto frames = counts(4200, pixel());
  Bytes chunk;
  pack(codec(), pixel(), frames, chunk);
  Bytes back(frames.size());
  for (std::size_t bit = 0; bit < 8 * std::min<std::size_t>(chunk.size(), 600); bit += 3) {
    auto bad = chunk;
    bad[bit / 8] ^= static_cast<std::byte>(1U << bit % 8);
    (void)unpack(codec(), pixel(), bad, back);
  }
  for (std::size_t size = 0; size < chunk.size(); size += 1 + size / 50) {
    EXPECT_FALSE(unpack(codec(), pixel(), std::span(chunk).first(size), back)) << size;
  }
  // Arbitrary bytes behind a head that is right.
  for (std::size_t keep = 0; keep < 24; ++keep) {
    auto bad = noise(chunk.size());
    std::copy_n(chunk.begin(), keep, bad.begin());
    (void)unpack(codec(), pixel(), bad, back);
  }
}

TEST(Codec, HasTheNamesThatPeopleSee) {
  EXPECT_EQ(codec_name(Codec::none), "none");
  EXPECT_EQ(codec_name(Codec::deflate), "deflate");
  EXPECT_EQ(codec_name(Codec::bitshuffle_lz4), "bitshuffle-lz4");
  for (const auto codec : {Codec::none, Codec::deflate, Codec::bitshuffle_lz4}) {
    EXPECT_EQ(codec_from(codec_name(codec)), codec);
  }
  EXPECT_EQ(codec_from("lz4"), std::nullopt);
}

TEST(Codec, AChunkIsAboutAMegabyteOfWholeFrames) {
  EXPECT_EQ(chunk_frames({1, 2048, Pixel::u16}, 10'000), 256U);
  EXPECT_EQ(chunk_frames({1, 2048, Pixel::u16}, 10), 10U);
  EXPECT_EQ(chunk_frames({1024, 1024, Pixel::u16}, 10), 1U);
  EXPECT_EQ(chunk_frames({1, 3, Pixel::u8}, 0), 1U);
}

// Straight from the description: bit b of byte y of element e is bit e%8 of byte e/8 of row 8y+b.
TEST(Codec, BitShuffleFollowsItsDefinition) {
  for (const std::size_t width : {1, 2, 4}) {
    for (const std::size_t elements : {8, 64, 136, 1024, 2048}) {
      const auto from = noise(elements * width);
      Bytes expected(from.size()), to(from.size()), scratch(from.size()), back(from.size());
      for (std::size_t e = 0; e < elements; ++e) {
        for (std::size_t bit = 0; bit < 8 * width; ++bit) {
          const auto set = from[e * width + bit / 8] >> (bit % 8) & std::byte{1};
          expected[bit * (elements / 8) + e / 8] |= set << (e % 8);
        }
      }
      shuffle_bits(from, width, to.data(), scratch.data());
      ASSERT_EQ(to, expected) << width << " " << elements;
      unshuffle_bits(to, width, back.data(), scratch.data());
      ASSERT_EQ(back, from) << width << " " << elements;
    }
  }
}

TEST(Codec, ADamagedBlockHarmsNoOtherBlock) {
  const auto frames = noise(5ULL * 8192);
  Bytes chunk, back(frames.size());
  pack(Codec::bitshuffle_lz4, Pixel::u16, frames, chunk);
  const auto whole = chunk;
  chunk[chunk.size() / 2] ^= std::byte{0x10};  // in the third block
  (void)unpack(Codec::bitshuffle_lz4, Pixel::u16, chunk, back);
  for (const std::size_t block : {0, 1, 3, 4}) {
    EXPECT_TRUE(std::equal(back.begin() + static_cast<std::ptrdiff_t>(block * 8192),
                           back.begin() + static_cast<std::ptrdiff_t>(block * 8192 + 8192),
                           frames.begin() + static_cast<std::ptrdiff_t>(block * 8192)))
        << block;
  }
  EXPECT_NE(back, frames);
}

// RFC 1950 streams, as zlib reads them, of bytes in the order that HDF5's shuffle gives (HDF5 File
// Format Specification, filter 2).
TEST(Codec, ZlibInflatesWhatDeflateMakes) {
  for (const auto pixel : kPixels) {
    const auto frames = counts(5001, pixel);
    const auto width = pixel_bytes(pixel);
    Bytes chunk, inflated(frames.size()), expected(frames.size());
    pack(Codec::deflate, pixel, frames, chunk);
    for (std::size_t i = 0; i < frames.size(); ++i) {
      expected[i % width * (frames.size() / width) + i / width] = frames[i];
    }
    auto size = static_cast<uLongf>(inflated.size());
    ASSERT_EQ(::uncompress(reinterpret_cast<Bytef*>(inflated.data()), &size,
                           reinterpret_cast<const Bytef*>(chunk.data()),
                           static_cast<uLong>(chunk.size())),
              Z_OK);
    EXPECT_EQ(size, frames.size());
    EXPECT_EQ(inflated, expected) << pixel_name(pixel);
  }
}

// --- Through HDF5
// ----------------------------------------------------------------------------------

// Ten rows in chunks of four, so that the last one is padded.
constexpr hsize_t kRows = 10, kChunkRows = 4, kColumns = 77;

H5::DataSet make_set(const H5::H5File& file, Codec codec, Pixel pixel) {
  const std::array<hsize_t, 2> extent = {kRows, kColumns}, chunk = {kChunkRows, kColumns};
  const H5::DSetCreatPropList properties;
  properties.setChunk(2, chunk.data());
  set_filters(properties, codec, pixel);
  return file.createDataSet("frames", store::pixel_type(pixel), H5::DataSpace(2, extent.data()),
                            properties);
}

std::string folder_of_test() {
  const auto folder =
      std::filesystem::temp_directory_path() / ("creel-codec-test-" + std::to_string(::getpid()));
  std::filesystem::create_directories(folder);
  return folder.string();
}

struct Folder {
  std::string path = folder_of_test();
  ~Folder() { std::filesystem::remove_all(path); }
};

void in_hdf5(const std::function<void()>& job) {
  const auto done = with_hdf5("testing", ErrorCode::internal, nullptr, job);
  ASSERT_TRUE(done.ok()) << done.error().text;
}

// Packed by us, unpacked by HDF5 (deflate: its own filters; bitshuffle: ours, registered).
TEST_P(EveryCodec, Hdf5ReadsChunksThatWePacked) {
  const auto source = native_source();
  const Hdf5Files files(*source);
  (void)files.access(false);  // registers our filter
  const auto frames = counts(kRows * kColumns, pixel());
  Bytes back(frames.size());
  in_hdf5([&] {
    H5::FileAccPropList memory;
    memory.setCore(1 << 16, false);
    const H5::H5File file("packed by us", H5F_ACC_TRUNC, H5::FileCreatPropList::DEFAULT, memory);
    const auto set = make_set(file, codec(), pixel());
    EXPECT_EQ(codec_of(set.getCreatePlist(), pixel()), codec());
    Bytes padded = frames, chunk;
    padded.resize(3 * kChunkRows * kColumns * pixel_bytes(pixel()));
    for (hsize_t i = 0; i < 3; ++i) {
      pack(codec(), pixel(), std::span(padded).subspan(i * padded.size() / 3, padded.size() / 3),
           chunk);
      const std::array<hsize_t, 2> at = {i * kChunkRows, 0};
      ASSERT_GE(H5Dwrite_chunk(set.getId(), H5P_DEFAULT, 0, at.data(), chunk.size(), chunk.data()),
                0);
    }
    set.read(back.data(), store::pixel_type(pixel()));
  });
  EXPECT_EQ(back, frames);
}

// And the other way round.
TEST_P(EveryCodec, WeReadChunksThatHdf5Packed) {
  const auto source = native_source();
  const Hdf5Files files(*source);
  (void)files.access(false);
  const auto frames = counts(kRows * kColumns, pixel());
  Bytes back;
  in_hdf5([&] {
    H5::FileAccPropList memory;
    memory.setCore(1 << 16, false);
    const H5::H5File file("packed by HDF5", H5F_ACC_TRUNC, H5::FileCreatPropList::DEFAULT, memory);
    const auto set = make_set(file, codec(), pixel());
    set.write(frames.data(), store::pixel_type(pixel()));
    H5Dflush(set.getId());
    Bytes unpacked(kChunkRows * kColumns * pixel_bytes(pixel()));
    for (hsize_t i = 0; i < 3; ++i) {
      const std::array<hsize_t, 2> at = {i * kChunkRows, 0};
      hsize_t size = 0;
      std::uint32_t skipped = 0;
      ASSERT_GE(H5Dget_chunk_storage_size(set.getId(), at.data(), &size), 0);
      Bytes chunk(size);
      ASSERT_GE(H5Dread_chunk(set.getId(), H5P_DEFAULT, at.data(), &skipped, chunk.data()), 0);
      ASSERT_EQ(skipped, 0U);
      ASSERT_TRUE(unpack(codec(), pixel(), chunk, unpacked));
      back.insert(back.end(), unpacked.begin(), unpacked.end());
    }
  });
  back.resize(frames.size());
  EXPECT_EQ(back, frames);
}

std::string run_python(const std::string& program) {
  return store::run(std::string(store::kPython) + " -c '" + program + "'");
}

bool has_plugin() {
  return run_python("import h5py; print(h5py.h5z.filter_avail(32008))") == "True\n";
}

TEST(Plugin, ReadsWhatWePacked) {
  if (!has_plugin()) {
    GTEST_SKIP() << "h5py finds no plugin for filter 32008";
  }
  const Folder folder;
  const auto source = native_source();
  const Hdf5Files files(*source);
  (void)files.access(false);
  for (const auto pixel : kPixels) {
    const auto path = folder.path + "/ours.h5";
    const auto frames = counts(kRows * kColumns, pixel);
    in_hdf5([&] {
      const H5::H5File file(path, H5F_ACC_TRUNC);
      make_set(file, Codec::bitshuffle_lz4, pixel).write(frames.data(), store::pixel_type(pixel));
    });
    const auto crc =
        ::crc32(0, reinterpret_cast<const Bytef*>(frames.data()), static_cast<uInt>(frames.size()));
    EXPECT_EQ(run_python("import h5py, zlib; f = h5py.File(\"" + path +
                         "\"); print(list(f[\"frames\"]._filters), "
                         "zlib.crc32(f[\"frames\"][()].tobytes()))"),
              "[\x27"
              "32008\x27] " +
                  std::to_string(crc) + "\n")
        << pixel_name(pixel);
  }
}

TEST(Plugin, WroteWhatWeRead) {
  if (!has_plugin()) {
    GTEST_SKIP() << "h5py finds no plugin for filter 32008";
  }
  const Folder folder;
  const auto source = native_source();
  Hdf5Files files(*source);
  constexpr std::array<const char*, 4> types = {"<u1", "<u2", "<u4", "<f4"};
  for (const auto pixel : kNumbers) {
    for (const auto* block : {"0", "64"}) {  // elements in a block; 0 = the plugin's choice
      const auto path = folder.path + "/theirs.h5";
      ASSERT_EQ(run_python("import h5py, numpy; f = h5py.File(\"" + path +
                           "\", \"w\"); a = (numpy.arange(3003) % 251).astype(\"" +
                           types[static_cast<std::size_t>(pixel)] +
                           "\"); f.create_dataset(\"frames\", data=a, chunks=a.shape, "
                           "compression=32008, compression_opts=(" +
                           block + ", 2))"),
                "");
      Bytes expected(3003ULL * pixel_bytes(pixel)), ours(expected.size()), through(expected.size());
      for (std::uint32_t i = 0; i < 3003; ++i) {
        const auto value = i % 251;
        const auto real = static_cast<float>(value);
        std::memcpy(&expected[std::size_t{i} * pixel_bytes(pixel)],
                    pixel == Pixel::f32 ? static_cast<const void*>(&real) : &value,
                    pixel_bytes(pixel));
      }
      in_hdf5([&] {
        const H5::H5File file(path, H5F_ACC_RDONLY, H5::FileCreatPropList::DEFAULT,
                              files.access(false));
        const auto set = file.openDataSet("frames");
        EXPECT_EQ(codec_of(set.getCreatePlist(), pixel), Codec::bitshuffle_lz4);
        set.read(through.data(), store::pixel_type(pixel));
        const hsize_t at = 0;
        hsize_t size = 0;
        std::uint32_t skipped = 0;
        ASSERT_GE(H5Dget_chunk_storage_size(set.getId(), &at, &size), 0);
        Bytes chunk(size);
        ASSERT_GE(H5Dread_chunk(set.getId(), H5P_DEFAULT, &at, &skipped, chunk.data()), 0);
        EXPECT_TRUE(unpack(Codec::bitshuffle_lz4, pixel, chunk, ours));
      });
      EXPECT_EQ(through, expected) << pixel_name(pixel);
      EXPECT_EQ(ours, expected) << pixel_name(pixel);
    }
  }
}

}  // namespace
}  // namespace creel::session
