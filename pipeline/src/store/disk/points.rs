//! The points at which the store touches the disk, in one list.

/// What is done at a point, and so what can go wrong there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Operation {
    /// A folder is made.
    Folder,
    /// A file is made or opened for writing.
    Create,
    /// Bytes are written.
    Write,
    /// A file or folder is flushed to the disk.
    Sync,
    /// A file or folder is renamed.
    Rename,
    /// A file or folder is removed.
    Remove,
}

impl Operation {
    /// The faults that can occur there, by their words: the ways of failing, and the process being killed before, after
    /// or, while bytes are written, in the middle.
    #[must_use]
    pub const fn faults(self) -> &'static [&'static str] {
        match self {
            Self::Folder | Self::Create => &["enospc", "eio", "kill-before", "kill-after"],
            Self::Write => &[
                "short-write",
                "enospc",
                "eio",
                "kill-before",
                "kill-half",
                "kill-after",
            ],
            Self::Sync => &["enospc", "eio", "kill-before", "kill-after"],
            Self::Rename => &["rename", "enospc", "eio", "kill-before", "kill-after"],
            Self::Remove => &["eio", "kill-before", "kill-after"],
        }
    }
}

macro_rules! write_points {
    ($($(#[doc = $doc:literal])* $name:ident, $word:literal, $operation:ident;)*) => {
        /// A place at which the store touches the disk.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum WritePoint {
            $($(#[doc = $doc])* $name,)*
        }

        impl WritePoint {
            /// Every point, in the order in which an ingest and then a compaction come to them.
            pub const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// Its word.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$name => $word,)* }
            }

            /// What is done there.
            #[must_use]
            pub const fn operation(self) -> Operation {
                match self { $(Self::$name => Operation::$operation,)* }
            }
        }
    };
}

write_points! {
    /// The cohort's folder is made, with its first delivery.
    CohortFolder, "cohort-folder", Folder;
    /// The folder above it is flushed.
    CohortParentSync, "cohort-parent-sync", Sync;
    /// The writers' lock file is opened or made.
    Lock, "lock", Create;
    /// The readers' lock file is opened or made.
    Readers, "readers", Create;
    /// What a stopped writer left behind is removed.
    Leftovers, "leftovers", Remove;
    /// The folder is made in which the snapshot is written.
    StagingFolder, "staging-folder", Folder;
    /// The folder of all snapshots is made.
    SnapshotsFolder, "snapshots-folder", Folder;
    /// The folder of a part is made.
    PartFolder, "part-folder", Folder;
    /// A part is begun.
    PartCreate, "part-create", Create;
    /// Bytes of a part are written.
    PartWrite, "part-write", Write;
    /// A part is flushed.
    PartSync, "part-sync", Sync;
    /// The file of rows set aside is begun.
    SetAsideCreate, "set-aside-create", Create;
    /// Bytes of it are written.
    SetAsideWrite, "set-aside-write", Write;
    /// It is flushed.
    SetAsideSync, "set-aside-sync", Sync;
    /// The manifest is begun.
    ManifestCreate, "manifest-create", Create;
    /// It is written.
    ManifestWrite, "manifest-write", Write;
    /// It is flushed.
    ManifestSync, "manifest-sync", Sync;
    /// The folders of the snapshot are flushed, from the innermost out.
    TreeSync, "tree-sync", Sync;
    /// The pointer's successor is begun.
    PointerCreate, "pointer-create", Create;
    /// It is written.
    PointerWrite, "pointer-write", Write;
    /// It is flushed.
    PointerSync, "pointer-sync", Sync;
    /// The cohort's folder is flushed, so that the successor is there before the snapshot is.
    SuccessorSync, "successor-sync", Sync;
    /// The snapshot moves to its place.
    SnapshotRename, "snapshot-rename", Rename;
    /// The folder of all snapshots is flushed.
    SnapshotsSync, "snapshots-sync", Sync;
    /// The pointer is replaced: from here on the new snapshot is in force.
    PointerRename, "pointer-rename", Rename;
    /// The cohort's folder is flushed: from here on it stays in force.
    CohortSync, "cohort-sync", Sync;
    /// Compaction: the manifest of a snapshot not in force is removed.
    OldManifest, "old-manifest", Remove;
    /// Compaction: the folders of those manifests are flushed, before any file goes.
    OldManifestSync, "old-manifest-sync", Sync;
    /// Compaction: a file is removed that the snapshot in force does not name.
    OldFile, "old-file", Remove;
    /// Compaction: a folder is removed that is empty now.
    OldFolder, "old-folder", Remove;
    /// Compaction: the folder of all snapshots is flushed.
    OldFolderSync, "old-folder-sync", Sync;
}
