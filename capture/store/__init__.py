"""The evidence store: every recorded stream's readings, marks, sweeps and results in a database that can be asked.

The raw streams are the truth; the store is made from them and can be made again (`capture.store.upkeep`).  It is SQLite in the
user's data folder, or PostgreSQL by URL.  Nothing here is imported by commands that work without a store.

=============  ==================================================================================================
`location`     where the store is, from what the user said
`models`       the tables
`migrations`   how a store of an earlier release becomes one of this release
`engine`       connections: one writer, short readers
`schema`       making and upgrading the tables
`rows`         readings and results as rows; the identity of a stream
`writing`      putting rows in, so that putting them in twice changes nothing
`loading`      rows from a raw stream
`database`     the store as a whole
`upkeep`       rebuild, repair after a crash
`backup`       a whole copy while a writer is at work
`checks`       whether the store and the streams agree
`feed`         rows from a live capture, in a thread of its own
=============  ==================================================================================================
"""
