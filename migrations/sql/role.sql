-- The application's role: it may add to the log and read it, never change it.
do $$
begin
    if not exists (select from pg_roles where rolname = 'tallybench_app') then
        create role tallybench_app nologin;
    end if;
exception when duplicate_object or unique_violation then
    null; -- another database of the same server made it a moment ago
end
$$;
do $$
begin
    grant tallybench_app to current_user;
exception when insufficient_privilege then
    set local role tallybench_app; -- somebody who may has done it, or this says that nobody has
    reset role;
end
$$;
