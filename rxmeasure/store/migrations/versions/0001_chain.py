"""Records, their chain of revisions, their contents, and what is searched.

On both databases triggers hold what must not happen whoever asks: a revision changed or
deleted, a chain that does not go on from its head, a content taken away that was not
forgotten. On a PostgreSQL server row-level security holds what each role may see besides.
"""

from __future__ import annotations

import uuid

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

GROUPS = ("student", "rater", "clinician", "teacher", "lead")


def upgrade() -> None:
    """Make the tables, then what guards them."""
    _make_tables()
    if op.get_bind().dialect.name == "sqlite":
        for statement in SQLITE_GUARDS:
            op.execute(statement)
        return
    schema = op.get_bind().scalar(sa.text("SELECT quote_ident(current_schema())"))
    for statement in (*POSTGRESQL_GUARDS, *_groups(), *POSTGRESQL_ACCESS):
        op.execute(sa.text(statement.replace("SAFE_PATH", f"SET search_path = {schema}, pg_temp")))


def _make_tables() -> None:
    text, whole = sa.Text(), sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    info = op.create_table(
        "store_info",
        sa.Column("id", sa.Integer(), sa.CheckConstraint("id = 1"), primary_key=True),
        sa.Column("store_id", text, nullable=False),
        sa.Column("key_check", text),
    )
    head = op.create_table(
        "chain_head",
        sa.Column("id", sa.Integer(), sa.CheckConstraint("id = 1"), primary_key=True),
        sa.Column("seq", whole, nullable=False),
        sa.Column("hash", text, nullable=False),
    )
    op.bulk_insert(info, [{"id": 1, "store_id": str(uuid.uuid4())}])
    op.bulk_insert(head, [{"id": 1, "seq": 0, "hash": "0" * 64}])
    op.create_table(
        "records",
        sa.Column("id", whole, sa.Identity(), primary_key=True),
        sa.Column("kind", text, nullable=False),
        sa.Column("subject", text),
        sa.Column("owner", text, nullable=False),
        sa.Column("opened_by", text, nullable=False),
        sa.Column("shared", sa.Boolean(), nullable=False),
        sa.UniqueConstraint("kind", "subject", "owner"),
    )
    op.create_index("records_by_owner", "records", ["owner", "kind"])
    op.create_index("records_by_subject", "records", ["subject"])
    op.create_table(
        "revisions",
        sa.Column("seq", whole, primary_key=True, autoincrement=False),
        sa.Column("record_id", whole, sa.ForeignKey("records.id"), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("action", text, nullable=False),
        sa.Column("author", text, nullable=False),
        sa.Column("role", text, nullable=False),
        sa.Column("time_utc", text, nullable=False),
        sa.Column("software_version", text, nullable=False),
        sa.Column("commitment", text, nullable=False),
        sa.Column("previous_hash", text, nullable=False),
        sa.Column("hash", text, nullable=False),
        sa.UniqueConstraint("record_id", "number"),
    )
    op.create_table(
        "contents",
        sa.Column(
            "seq", whole, sa.ForeignKey("revisions.seq"), primary_key=True, autoincrement=False
        ),
        sa.Column("salt", text, nullable=False),
        sa.Column("header", text, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
    )
    op.create_table(
        "heads",
        sa.Column(
            "record_id",
            whole,
            sa.ForeignKey("records.id"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("seq", whole, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("patient", text),
        *(
            sa.Column(name, text, nullable=False)
            for name in ("date", "tooth", "film_kind", "visit")
        ),
    )
    op.create_index("heads_by_patient", "heads", ["patient", "date", "record_id"])
    op.create_index("heads_by_date", "heads", ["date", "record_id"])
    op.create_index("heads_by_tooth", "heads", ["tooth", "date", "record_id"])
    _make_list("record_patients", "patient")
    op.create_index("records_by_patient", "record_patients", ["patient", "record_id"], unique=True)
    _make_list("head_verdicts", "rule_id", "outcome")
    op.create_index(
        "verdicts_by_rule", "head_verdicts", ["rule_id", "outcome", "record_id"], unique=True
    )
    op.create_index("verdicts_by_outcome", "head_verdicts", ["outcome", "record_id"])
    _make_list("head_tags", "tag")
    op.create_index("records_by_tag", "head_tags", ["tag", "record_id"], unique=True)


def _make_list(table: str, *names: str) -> None:
    op.create_table(
        table,
        sa.Column(
            "record_id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            sa.ForeignKey("records.id"),
            primary_key=True,
            autoincrement=False,
        ),
        *(sa.Column(name, sa.Text(), primary_key=True) for name in names),
    )


SQLITE_GUARDS = (
    """
    CREATE TRIGGER revisions_go_on BEFORE INSERT ON revisions
    WHEN NOT EXISTS (
        SELECT 1 FROM chain_head WHERE seq = NEW.seq - 1 AND hash = NEW.previous_hash
    )
    BEGIN SELECT RAISE(ABORT, 'a revision that does not follow the newest one'); END
    """,
    """
    CREATE TRIGGER revisions_move_head AFTER INSERT ON revisions
    BEGIN UPDATE chain_head SET seq = NEW.seq, hash = NEW.hash; END
    """,
    """
    CREATE TRIGGER revisions_stay BEFORE UPDATE ON revisions
    BEGIN SELECT RAISE(ABORT, 'a revision is never changed'); END
    """,
    """
    CREATE TRIGGER revisions_are_kept BEFORE DELETE ON revisions
    BEGIN SELECT RAISE(ABORT, 'a revision is never deleted'); END
    """,
    """
    CREATE TRIGGER contents_stay BEFORE UPDATE ON contents
    BEGIN SELECT RAISE(ABORT, 'a content is never changed'); END
    """,
    """
    CREATE TRIGGER contents_are_kept BEFORE DELETE ON contents
    WHEN NOT EXISTS (
        SELECT 1 FROM revisions AS old JOIN revisions AS forgetting USING (record_id)
        WHERE old.seq = OLD.seq AND forgetting.action = 'forget' AND forgetting.seq > old.seq
    )
    BEGIN SELECT RAISE(ABORT, 'a content that was not forgotten is never deleted'); END
    """,
    """
    CREATE TRIGGER records_stay BEFORE UPDATE ON records
    WHEN NEW.id <> OLD.id OR NEW.kind <> OLD.kind OR NEW.owner <> OLD.owner
      OR NEW.opened_by <> OLD.opened_by OR NEW.shared <> OLD.shared
      OR NEW.subject IS NOT NULL
      OR NOT EXISTS (
        SELECT 1 FROM revisions WHERE record_id = OLD.id AND action = 'forget'
      )
    BEGIN SELECT RAISE(ABORT, 'a record is never changed, only forgotten'); END
    """,
    """
    CREATE TRIGGER records_are_kept BEFORE DELETE ON records
    BEGIN SELECT RAISE(ABORT, 'a record is never deleted'); END
    """,
)

# SAFE_PATH: a temporary table of a person must not pass for one of the store.
POSTGRESQL_GUARDS = (
    # Compressed already.
    "ALTER TABLE contents ALTER COLUMN body SET STORAGE EXTERNAL",
    """
    CREATE FUNCTION rx_go_on() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SAFE_PATH AS $$
    BEGIN
        UPDATE chain_head SET seq = NEW.seq, hash = NEW.hash
        WHERE seq = NEW.seq - 1 AND hash = NEW.previous_hash;
        IF NOT FOUND THEN
            RAISE EXCEPTION 'a revision that does not follow the newest one';
        END IF;
        IF NEW.hash <> encode(sha256(convert_to(concat_ws(E'\\n',
            NEW.previous_hash, NEW.seq, NEW.record_id, NEW.number, NEW.action, NEW.author,
            NEW.role, NEW.time_utc, NEW.software_version, NEW.commitment), 'UTF8')), 'hex')
        THEN
            RAISE EXCEPTION 'a revision with a hash that is not its own';
        END IF;
        RETURN NEW;
    END $$
    """,
    """
    CREATE FUNCTION rx_never() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'a row of % is never changed or deleted', TG_TABLE_NAME; END $$
    """,
    """
    CREATE FUNCTION rx_keep_content() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SAFE_PATH AS $$
    BEGIN
        IF NOT EXISTS (
            SELECT 1 FROM revisions AS kept JOIN revisions AS forgetting USING (record_id)
            WHERE kept.seq = OLD.seq AND forgetting.action = 'forget'
              AND forgetting.seq > kept.seq
        ) THEN
            RAISE EXCEPTION 'a content that was not forgotten is never deleted';
        END IF;
        RETURN OLD;
    END $$
    """,
    """
    CREATE FUNCTION rx_keep_record() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SAFE_PATH AS $$
    BEGIN
        IF (NEW.id, NEW.kind, NEW.owner, NEW.opened_by, NEW.shared)
            IS DISTINCT FROM (OLD.id, OLD.kind, OLD.owner, OLD.opened_by, OLD.shared)
           OR NEW.subject IS NOT NULL
           OR NOT EXISTS (
                SELECT 1 FROM revisions WHERE record_id = OLD.id AND action = 'forget'
           )
        THEN
            RAISE EXCEPTION 'a record is never changed, only forgotten';
        END IF;
        RETURN NEW;
    END $$
    """,
    "CREATE TRIGGER revisions_go_on BEFORE INSERT ON revisions"
    " FOR EACH ROW EXECUTE FUNCTION rx_go_on()",
    "CREATE TRIGGER revisions_are_kept BEFORE UPDATE OR DELETE ON revisions"
    " FOR EACH ROW EXECUTE FUNCTION rx_never()",
    "CREATE TRIGGER revisions_are_all_kept BEFORE TRUNCATE ON revisions"
    " EXECUTE FUNCTION rx_never()",
    "CREATE TRIGGER contents_stay BEFORE UPDATE ON contents"
    " FOR EACH ROW EXECUTE FUNCTION rx_never()",
    "CREATE TRIGGER contents_are_kept BEFORE DELETE ON contents"
    " FOR EACH ROW EXECUTE FUNCTION rx_keep_content()",
    "CREATE TRIGGER contents_are_all_kept BEFORE TRUNCATE ON contents EXECUTE FUNCTION rx_never()",
    "CREATE TRIGGER records_stay BEFORE UPDATE ON records"
    " FOR EACH ROW EXECUTE FUNCTION rx_keep_record()",
    "CREATE TRIGGER records_are_kept BEFORE DELETE ON records"
    " FOR EACH ROW EXECUTE FUNCTION rx_never()",
)


def _groups() -> tuple[str, ...]:
    return tuple(
        f"DO $$ BEGIN CREATE ROLE rxmeasure_{group} NOLOGIN;"
        " EXCEPTION WHEN duplicate_object THEN NULL; END $$"
        for group in GROUPS
    )


_ALL_GROUPS = ", ".join(f"rxmeasure_{group}" for group in GROUPS)
_TABLES = (
    "records",
    "record_patients",
    "revisions",
    "contents",
    "heads",
    "head_verdicts",
    "head_tags",
)

#: One record is open to a person who sees all, to its owner, or to everybody.
POSTGRESQL_ACCESS = (
    """
    CREATE FUNCTION rx_sees_all() RETURNS boolean LANGUAGE sql STABLE PARALLEL SAFE AS $$
        SELECT pg_has_role(current_user, 'rxmeasure_clinician', 'MEMBER')
            OR pg_has_role(current_user, 'rxmeasure_teacher', 'MEMBER')
            OR pg_has_role(current_user, 'rxmeasure_lead', 'MEMBER')
    $$
    """,
    """
    CREATE FUNCTION rx_may_write(wanted bigint) RETURNS boolean LANGUAGE sql STABLE
    SAFE_PATH AS $$
        SELECT EXISTS (
            SELECT 1 FROM records WHERE id = wanted AND
                (rx_sees_all() OR (owner = current_user AND opened_by = current_user))
        )
    $$
    """,
    """
    CREATE FUNCTION rx_own_kind(kind text) RETURNS boolean LANGUAGE sql STABLE AS $$
        SELECT kind = 'review'
            OR (kind LIKE 'student-%' AND pg_has_role(current_user, 'rxmeasure_student', 'MEMBER'))
            OR (kind LIKE 'rater-%' AND pg_has_role(current_user, 'rxmeasure_rater', 'MEMBER'))
    $$
    """,
    f"GRANT SELECT ON store_info, chain_head, alembic_version TO {_ALL_GROUPS}",
    f"GRANT SELECT, INSERT ON records, record_patients, revisions, contents TO {_ALL_GROUPS}",
    f"GRANT SELECT, INSERT, UPDATE, DELETE ON heads, head_verdicts, head_tags TO {_ALL_GROUPS}",
    "GRANT UPDATE (subject) ON records TO rxmeasure_lead",
    "GRANT DELETE ON contents, record_patients TO rxmeasure_lead",
    *(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY" for table in _TABLES),
    """
    CREATE POLICY seen ON records FOR SELECT
    USING ((SELECT rx_sees_all()) OR owner = current_user OR shared)
    """,
    """
    CREATE POLICY opened ON records FOR INSERT WITH CHECK (
        opened_by = current_user
        AND (rx_sees_all() OR (owner = current_user AND NOT shared AND rx_own_kind(kind)))
    )
    """,
    "CREATE POLICY forgotten ON records FOR UPDATE TO rxmeasure_lead USING (true)",
    *(
        f"CREATE POLICY seen ON {table} FOR SELECT USING ((SELECT rx_sees_all()) OR EXISTS"
        f" (SELECT 1 FROM records WHERE records.id = {table}.record_id))"
        for table in ("record_patients", "revisions", "heads", "head_verdicts", "head_tags")
    ),
    "CREATE POLICY added ON record_patients FOR INSERT WITH CHECK (rx_may_write(record_id))",
    "CREATE POLICY forgotten ON record_patients FOR DELETE TO rxmeasure_lead USING (true)",
    """
    CREATE POLICY written ON revisions FOR INSERT WITH CHECK (
        author = current_user
        AND pg_has_role(current_user, 'rxmeasure_' || role, 'MEMBER')
        AND (action <> 'forget' OR pg_has_role(current_user, 'rxmeasure_lead', 'MEMBER'))
        AND rx_may_write(record_id)
    )
    """,
    """
    CREATE POLICY seen ON contents FOR SELECT USING ((SELECT rx_sees_all()) OR EXISTS
        (SELECT 1 FROM revisions WHERE revisions.seq = contents.seq))
    """,
    """
    CREATE POLICY written ON contents FOR INSERT WITH CHECK (EXISTS
        (SELECT 1 FROM revisions WHERE revisions.seq = contents.seq AND author = current_user))
    """,
    "CREATE POLICY forgotten ON contents FOR DELETE TO rxmeasure_lead USING (true)",
    *(
        f"CREATE POLICY {word} ON {table} FOR {command} {clause} (rx_may_write(record_id))"
        for table in ("heads", "head_verdicts", "head_tags")
        for word, command, clause in (
            ("added", "INSERT", "WITH CHECK"),
            ("changed", "UPDATE", "USING"),
            ("taken", "DELETE", "USING"),
        )
    ),
)
