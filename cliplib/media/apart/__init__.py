"""Work on strangers' files, in processes apart, with limits.

| work | where it is done | what comes back |
|---|---|---|
| probing: every packet read, a picture decoded | `probing` | times and facts |
| posters, stills, key frames of a shot list | `painting` | JPEG |
| frames and sound for reels | `decoding` | pictures, samples |
| ends of a portable clip; a clip encoded whole | `recoding` | encoded samples |
| tags and chapters of a file that a reel replaces | `decoding` | text |
| working copies | ffmpeg (`media/working`, `media/ffmpeg`) | a file under a temporary name |

Two such processes wait for work, a minute long; any number of threads may have one each. In there: 4 GB of
address space, 30 s of processor time between two signs of getting further, no file can be written (what is to
be written comes back as bytes), 64 open files, no core dump; on this side, 15 minutes of silence at most, and
what comes back is JSON and bytes, never code. Pictures for reels lie in memory that both sides map.

libav may open local files only, in whitelisted containers of moving pictures that read one file and nothing
beside it. ffmpeg has no standard input, a session of its own, 8 GB, 300 s, the same whitelists, and may write
no longer file than the footage can need. A slice needs none of this: its tables are read by our own reader
(fuzzed) and its bytes are copied undecoded. What the asking process does read are parts of reels that it
encoded itself. On Windows, which has none of these limits, the jobs run in the process itself.
"""
